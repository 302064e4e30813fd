"""${message}."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}


def upgrade() -> None:
    """Change the layout."""
    ${upgrades if upgrades else "raise NotImplementedError"}


def downgrade() -> None:
    """Not offered: a backup is made before every change of the layout."""
    raise NotImplementedError
