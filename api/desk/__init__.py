"""desk.db: what people prepare beside the chamber. Schedules with their revisions, idempotency keys, the desk's audit."""
