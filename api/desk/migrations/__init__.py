"""Alembic's scripts for desk.db, in order; `env.py` runs them on the connection it is handed."""
