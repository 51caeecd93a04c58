"""record.db: schema, migrations, the one writer, read-only queries, rollups, export and replay.

One process writes (the controller, from one thread); anybody may read through `queries.Reader`. Nothing here decides
about heat, and nothing here is on the way to switching it off.
"""
