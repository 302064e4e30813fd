"""How migrations are run: on the connection that asks for them, in its own transaction."""

from __future__ import annotations

from alembic import context

from canalwright.records.access import schema as access_schema
from canalwright.records.schema import METADATA

# Its tables belong to the same layout.
_ = access_schema.USERS

_ATTRIBUTES = context.config.attributes
context.configure(
    connection=_ATTRIBUTES["connection"],
    target_metadata=METADATA,
    version_table=_ATTRIBUTES["version_table"],
    transactional_ddl=True,
    compare_type=True,
)
context.run_migrations()
