"""Named steps from one schema to the next, run by Alembic. Imported only when a file is older than this version."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

HERE = Path(__file__).parent


def upgrade(connection: Connection) -> None:
    """Every missing step, on the caller's connection and in its transaction: effect and stamp together, or neither."""
    scripts = ScriptDirectory(str(HERE))

    def steps(revision: Any, context: Any) -> Any:
        return scripts._upgrade_revs("head", revision)

    context = MigrationContext.configure(connection, opts={"fn": steps})
    with Operations.context(context):
        context.run_migrations()
