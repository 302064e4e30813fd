"""Cases, teeth, documents, attachments, visits, instruments, and the journal they follow from."""

from __future__ import annotations

import uuid
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the first layout."""
    _journal()
    _cases()
    _documents()
    _instruments()
    _visits()
    _recalls()
    op.execute(
        sa.text(
            "INSERT INTO chain_head (id, sequence, hash, store_id) VALUES (1, 0, :hash, :store_id)"
        ).bindparams(hash="0" * 64, store_id=uuid.uuid4().hex)
    )


def downgrade() -> None:
    """Not offered: a backup is made before every change of the layout."""
    raise NotImplementedError


def _journal() -> None:
    op.create_table(
        "journal",
        sa.Column("sequence", _BIG, autoincrement=False),
        sa.Column("at_utc", sa.String(27), nullable=False),
        sa.Column("actor", sa.Text, nullable=False),
        sa.Column("operation", sa.String(12), nullable=False),
        sa.Column("kind", sa.String(24), nullable=False),
        sa.Column("record_id", sa.String(32), nullable=False),
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("previous_hash", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("sequence", name="pk_journal"),
    )
    op.create_index("ix_journal_record_id_sequence", "journal", ["record_id", "sequence"])
    op.create_index("ix_journal_case_id_sequence", "journal", ["case_id", "sequence"])
    op.create_table(
        "chain_head",
        sa.Column("id", sa.Integer, autoincrement=False),
        sa.Column("sequence", _BIG, nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.Column("store_id", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_chain_head"),
    )
    op.create_table(
        "files",
        sa.Column("sha256", sa.String(64)),
        sa.Column("size_bytes", _BIG, nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_files"),
    )


def _cases() -> None:
    _records(
        "cases",
        sa.Column("pseudonym", sa.String(80), nullable=False),
        _text("label"),
        sa.Column("status", sa.String(12), nullable=False),
        sa.Column("invented", sa.Boolean, nullable=False),
        _text("note"),
        sa.Column("touched_sequence", _BIG, nullable=False),
        sa.UniqueConstraint("pseudonym", name="uq_cases_pseudonym"),
    )
    op.create_index("ix_cases_touched_sequence", "cases", ["touched_sequence"])
    _records(
        "teeth",
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("number", sa.String(16), nullable=False),
        _text("note"),
        _to("teeth", "case_id", "cases"),
    )
    op.create_index("ix_teeth_case_id", "teeth", ["case_id"])


def _documents() -> None:
    _records(
        "attachments",
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("attachment_kind", sa.String(16), nullable=False),
        _text("name"),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("size_bytes", _BIG, nullable=False),
        _text("group_id"),
        sa.Column("tooth_id", sa.String(32)),
        _text("media_type"),
        _text("cleaned"),
        _text("note"),
        _to("attachments", "case_id", "cases"),
        _to("attachments", "tooth_id", "teeth"),
        _to("attachments", "sha256", "files", "sha256"),
    )
    op.create_index("ix_attachments_case_id", "attachments", ["case_id"])
    op.create_index("ix_attachments_sha256", "attachments", ["sha256"])
    _records(
        "documents",
        sa.Column("case_id", sa.String(32)),
        sa.Column("document_kind", sa.String(40), nullable=False),
        sa.Column("schema", sa.String(80), nullable=False),
        _text("name"),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("original_sha256", sa.String(64), nullable=False, server_default=""),
        sa.Column("size_bytes", _BIG, nullable=False),
        sa.Column("tooth_id", sa.String(32)),
        _text("note"),
        _to("documents", "case_id", "cases"),
        _to("documents", "tooth_id", "teeth"),
        _to("documents", "sha256", "files", "sha256"),
    )
    op.create_index("ix_documents_case_id", "documents", ["case_id"])
    op.create_index("ix_documents_sha256", "documents", ["sha256"])


def _instruments() -> None:
    _records(
        "instruments",
        sa.Column("code", sa.String(80), nullable=False),
        sa.Column("instrument", sa.String(80), nullable=False),
        _text("lot"),
        sa.Column("opened_on", sa.String(10), nullable=False, server_default=""),
        sa.Column("expires_on", sa.String(10), nullable=False, server_default=""),
        sa.Column("single_use", sa.Boolean, nullable=False),
        sa.Column("most_uses", sa.Integer),
        sa.Column("most_sterilizations", sa.Integer),
        sa.Column("most_life_share", sa.Double, nullable=False),
        _text("note"),
        sa.UniqueConstraint("code", name="uq_instruments_code"),
    )
    op.create_index("ix_instruments_instrument", "instruments", ["instrument"])
    _records(
        "instrument_events",
        sa.Column("physical_id", sa.String(32), nullable=False),
        sa.Column("device_event_kind", sa.String(20), nullable=False),
        sa.Column("on_date", sa.String(10), nullable=False, server_default=""),
        _text("note"),
        _to("instrument_events", "physical_id", "instruments"),
    )
    op.create_index("ix_instrument_events_physical_id", "instrument_events", ["physical_id"])


def _visits() -> None:
    _records(
        "visits",
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("started_utc", sa.String(27), nullable=False),
        sa.Column("ended_utc", sa.String(27), nullable=False, server_default=""),
        sa.Column("state", sa.String(12), nullable=False),
        _text("operator"),
        sa.Column("tooth_id", sa.String(32)),
        sa.Column("plan_id", sa.String(32)),
        _text("note"),
        _to("visits", "case_id", "cases"),
        _to("visits", "tooth_id", "teeth"),
        _to("visits", "plan_id", "documents"),
    )
    op.create_index("ix_visits_case_id", "visits", ["case_id"])
    _records(
        "visit_events",
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("visit_id", sa.String(32), nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("event_kind", sa.String(20), nullable=False),
        sa.Column("at_utc", sa.String(27), nullable=False, server_default=""),
        sa.Column("tooth_id", sa.String(32)),
        _text("canal"),
        _text("instrument"),
        sa.Column("physical_id", sa.String(32)),
        *(
            sa.Column(name, sa.Double)
            for name in (
                "from_level_mm", "to_level_mm", "time_s", "speed_rpm", "peak_torque_ncm",
                "length_mm",
            )
        ),
        _text("damage"),
        _text("details"),
        _text("note"),
        _to("visit_events", "case_id", "cases"),
        _to("visit_events", "visit_id", "visits"),
        _to("visit_events", "tooth_id", "teeth"),
        _to("visit_events", "physical_id", "instruments"),
    )  # fmt: skip
    op.create_index("ix_visit_events_case_id", "visit_events", ["case_id"])
    op.create_index("ix_visit_events_visit_id_position", "visit_events", ["visit_id", "position"])
    op.create_index("ix_visit_events_physical_id", "visit_events", ["physical_id"])
    op.create_index("ix_visit_events_event_kind", "visit_events", ["event_kind"])


def _recalls() -> None:
    _records(
        "recalls",
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("on_date", sa.String(10), nullable=False),
        sa.Column("tooth_id", sa.String(32)),
        sa.Column("periapical_index", sa.Integer),
        _text("symptoms"),
        sa.Column("outcome", sa.String(16)),
        _text("note"),
        _to("recalls", "case_id", "cases"),
        _to("recalls", "tooth_id", "teeth"),
    )
    op.create_index("ix_recalls_case_id", "recalls", ["case_id"])


def _records(name: str, *parts: Any) -> None:
    op.create_table(
        name,
        sa.Column("id", sa.String(32)),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
        sa.Column("sequence", _BIG, nullable=False),
        *parts,
        sa.PrimaryKeyConstraint("id", name=f"pk_{name}"),
        _to(name, "sequence", "journal", "sequence"),
    )
    op.create_index(f"ix_{name}_sequence", name, ["sequence"])


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False, server_default="")


def _to(table: str, column: str, target: str, key: str = "id") -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.{key}"], name=f"fk_{table}_{column}")
