"""Users, sessions, shares of cases, the log of accesses, and sign-offs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add the tables; there are no users yet, so everything stays open to this computer."""
    _add_users()
    _add_shares()
    _add_log()
    _add_sign_offs()


def downgrade() -> None:
    """Not offered: a backup is made before every change of the layout."""
    raise NotImplementedError


def _add_users() -> None:
    op.create_table(
        "users",
        sa.Column("id", sa.String(32)),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("name", sa.String(60), nullable=False),
        sa.Column("display_name", sa.Text, nullable=False, server_default=""),
        sa.Column("roles", sa.String(80), nullable=False),
        sa.Column("password_hash", sa.Text, nullable=False),
        sa.Column("active", sa.Boolean, nullable=False),
        sa.Column("must_change", sa.Boolean, nullable=False),
        sa.Column("made_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_users"),
        sa.UniqueConstraint("name", name="uq_users_name"),
    )
    op.create_table(
        "sessions",
        sa.Column("digest", sa.String(64)),
        sa.Column("user_id", sa.String(32), nullable=False),
        sa.Column("made_utc", sa.String(27), nullable=False),
        sa.Column("seen_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("digest", name="pk_sessions"),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name="fk_sessions_user_id"),
    )
    op.create_index("ix_sessions_user_id", "sessions", ["user_id"])
    op.create_table(
        "sign_in_failures",
        sa.Column("id", sa.String(32)),
        sa.Column("name_digest", sa.String(64), nullable=False),
        sa.Column("at_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sign_in_failures"),
    )
    op.create_index("ix_sign_in_failures_name_digest", "sign_in_failures", ["name_digest"])


def _add_shares() -> None:
    op.create_table(
        "case_grants",
        sa.Column("user_id", sa.String(32)),
        sa.Column("case_id", sa.String(32)),
        sa.Column("may_edit", sa.Boolean, nullable=False),
        sa.PrimaryKeyConstraint("user_id", "case_id", name="pk_case_grants"),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name="fk_case_grants_user_id"),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name="fk_case_grants_case_id"),
    )
    op.create_index("ix_case_grants_case_id", "case_grants", ["case_id"])


def _add_log() -> None:
    op.create_table(
        "access_log",
        sa.Column("sequence", _BIG, autoincrement=False),
        sa.Column("at_utc", sa.String(27), nullable=False),
        sa.Column("actor", sa.Text, nullable=False),
        sa.Column("operation", sa.String(24), nullable=False),
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("outcome", sa.String(12), nullable=False),
        sa.Column("previous_hash", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("sequence", name="pk_access_log"),
    )
    op.create_index("ix_access_log_case_id_sequence", "access_log", ["case_id", "sequence"])
    op.create_index("ix_access_log_actor_sequence", "access_log", ["actor", "sequence"])


def _add_sign_offs() -> None:
    op.create_table(
        "sign_offs",
        sa.Column("id", sa.String(32)),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
        sa.Column("sequence", _BIG, nullable=False),
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("subject_kind", sa.String(24), nullable=False),
        sa.Column("subject_id", sa.String(32), nullable=False),
        sa.Column("subject_version", sa.Integer, nullable=False),
        sa.Column("decision", sa.String(12), nullable=False),
        sa.Column("signed_by", sa.String(60), nullable=False),
        sa.Column("note", sa.Text, nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("id", name="pk_sign_offs"),
        sa.ForeignKeyConstraint(["sequence"], ["journal.sequence"], name="fk_sign_offs_sequence"),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name="fk_sign_offs_case_id"),
    )
    op.create_index("ix_sign_offs_sequence", "sign_offs", ["sequence"])
    op.create_index("ix_sign_offs_case_id", "sign_offs", ["case_id"])
    op.create_index("ix_sign_offs_subject_id", "sign_offs", ["subject_id"])
