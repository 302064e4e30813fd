"""How migrations are run: on the connection that asks for them, in its own transaction."""

from __future__ import annotations

from alembic import context

from canalwright.records.schema import METADATA

_ATTRIBUTES = context.config.attributes
context.configure(
    connection=_ATTRIBUTES["connection"],
    target_metadata=METADATA,
    version_table=_ATTRIBUTES["version_table"],
    transactional_ddl=True,
    compare_type=True,
)
context.run_migrations()
