"""The tables. Every record has one current row; the journal holds how it came to be.

A table of records is named in `RECORD_TABLES` with its noun. Columns have the names of the noun's
fields, plus `sequence` (the journal entry that wrote the row). Lists and mappings are canonical
JSON text. Other packages put further tables into the same `METADATA` and further migrations into
``records/migrations/versions``.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)
from sqlalchemy.types import TypeEngine

__all__ = [
    "ATTACHMENTS",
    "CASES",
    "CASE_WORDS",
    "CHAIN_HEAD",
    "DOCUMENTS",
    "FILES",
    "INSTRUMENTS",
    "INSTRUMENT_EVENTS",
    "JOURNAL",
    "METADATA",
    "RECALLS",
    "RECORD_TABLES",
    "SIGN_OFFS",
    "STOCK",
    "TEETH",
    "VISITS",
    "VISIT_EVENTS",
]

METADATA: Final = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# SQLite numbers rows in a 64-bit integer only if the column is declared INTEGER.
_BIG: Final = BigInteger().with_variant(Integer(), "sqlite")


def words_type() -> TypeEngine[str]:
    """Return the type of text that is searched by its beginning: compared byte by byte."""
    return String(80).with_variant(String(80, collation="C"), "postgresql")


def _reference(name: str, target: str, *, needed: bool = False) -> Column[str]:
    return Column(name, String(32), ForeignKey(f"{target}.id"), nullable=not needed)


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False, server_default="")


def _double(name: str) -> Column[float]:
    return Column(name, Double, nullable=True)


def _kept() -> tuple[Column[str], Column[int], Column[bool], Column[int]]:
    return (
        Column("id", String(32), primary_key=True),
        Column("version", Integer, nullable=False),
        Column("withdrawn", Boolean, nullable=False),
        Column("sequence", _BIG, ForeignKey("journal.sequence"), nullable=False, index=True),
    )


JOURNAL: Final = Table(
    "journal",
    METADATA,
    Column("sequence", _BIG, primary_key=True, autoincrement=False),
    Column("at_utc", String(27), nullable=False),
    Column("actor", Text, nullable=False),
    Column("operation", String(12), nullable=False),
    Column("kind", String(24), nullable=False),
    Column("record_id", String(32), nullable=False),
    Column("case_id", String(32), nullable=False),
    Column("version", Integer, nullable=False),
    Column("reason", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("previous_hash", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
    Index("ix_journal_record_id_sequence", "record_id", "sequence"),
    Index("ix_journal_case_id_sequence", "case_id", "sequence"),
)

CHAIN_HEAD: Final = Table(
    "chain_head",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("sequence", _BIG, nullable=False),
    Column("hash", String(64), nullable=False),
    Column("store_id", String(32), nullable=False),
)

FILES: Final = Table(
    "files",
    METADATA,
    Column("sha256", String(64), primary_key=True),
    Column("size_bytes", _BIG, nullable=False),
)

CASES: Final = Table(
    "cases",
    METADATA,
    *_kept(),
    Column("pseudonym", String(80), nullable=False, unique=True),
    _text("label"),
    Column("status", String(12), nullable=False),
    Column("invented", Boolean, nullable=False),
    _text("note"),
    Column("difficulty", String(40), nullable=False, server_default=""),
    # The last journal entry of anything in the case: the order of the list.
    Column("touched_sequence", _BIG, nullable=False, index=True),
)

TEETH: Final = Table(
    "teeth",
    METADATA,
    *_kept(),
    _reference("case_id", "cases", needed=True),
    Column("number", String(16), nullable=False),
    _text("note"),
    Index("ix_teeth_case_id", "case_id"),
)

ATTACHMENTS: Final = Table(
    "attachments",
    METADATA,
    *_kept(),
    _reference("case_id", "cases", needed=True),
    Column("attachment_kind", String(16), nullable=False),
    _text("name"),
    Column("sha256", String(64), ForeignKey("files.sha256"), nullable=False, index=True),
    Column("size_bytes", _BIG, nullable=False),
    _text("group_id"),
    _reference("tooth_id", "teeth"),
    _text("media_type"),
    _text("cleaned"),
    _text("note"),
    Index("ix_attachments_case_id", "case_id"),
)

DOCUMENTS: Final = Table(
    "documents",
    METADATA,
    *_kept(),
    _reference("case_id", "cases"),
    Column("document_kind", String(40), nullable=False),
    Column("schema", String(80), nullable=False),
    _text("name"),
    Column("sha256", String(64), ForeignKey("files.sha256"), nullable=False, index=True),
    Column("original_sha256", String(64), nullable=False, server_default=""),
    Column("size_bytes", _BIG, nullable=False),
    _reference("tooth_id", "teeth"),
    _text("note"),
    Index("ix_documents_case_id", "case_id"),
)

VISITS: Final = Table(
    "visits",
    METADATA,
    *_kept(),
    _reference("case_id", "cases", needed=True),
    Column("started_utc", String(27), nullable=False),
    Column("ended_utc", String(27), nullable=False, server_default=""),
    Column("state", String(12), nullable=False),
    _text("operator"),
    _reference("tooth_id", "teeth"),
    _reference("plan_id", "documents"),
    _text("note"),
    Index("ix_visits_case_id", "case_id"),
)

STOCK: Final = Table(
    "stock",
    METADATA,
    *_kept(),
    Column("instrument", String(80), nullable=False, index=True),
    Column("received_count", Integer, nullable=False),
    _text("lot"),
    Column("expires_on", String(10), nullable=False, server_default=""),
    Column("received_on", String(10), nullable=False, server_default=""),
    Column("discarded_count", Integer, nullable=False),
    _text("note"),
)

INSTRUMENTS: Final = Table(
    "instruments",
    METADATA,
    *_kept(),
    Column("code", String(80), nullable=False, unique=True),
    Column("instrument", String(80), nullable=False, index=True),
    _text("lot"),
    Column("opened_on", String(10), nullable=False, server_default=""),
    Column("expires_on", String(10), nullable=False, server_default=""),
    Column("single_use", Boolean, nullable=False),
    Column("most_uses", Integer, nullable=True),
    Column("most_sterilizations", Integer, nullable=True),
    Column("most_life_share", Double, nullable=False),
    _reference("stock_id", "stock"),
    _text("note"),
    Index("ix_instruments_stock_id", "stock_id"),
)

INSTRUMENT_EVENTS: Final = Table(
    "instrument_events",
    METADATA,
    *_kept(),
    _reference("physical_id", "instruments", needed=True),
    Column("device_event_kind", String(20), nullable=False),
    Column("on_date", String(10), nullable=False, server_default=""),
    _text("note"),
    Index("ix_instrument_events_physical_id", "physical_id"),
)

VISIT_EVENTS: Final = Table(
    "visit_events",
    METADATA,
    *_kept(),
    _reference("case_id", "cases", needed=True),
    _reference("visit_id", "visits", needed=True),
    Column("position", Integer, nullable=False),
    Column("event_kind", String(20), nullable=False, index=True),
    Column("at_utc", String(27), nullable=False, server_default=""),
    _reference("tooth_id", "teeth"),
    _text("canal"),
    _text("instrument"),
    _reference("physical_id", "instruments"),
    _double("from_level_mm"),
    _double("to_level_mm"),
    _double("time_s"),
    _double("speed_rpm"),
    _double("peak_torque_ncm"),
    _double("length_mm"),
    _text("damage"),
    _text("details"),
    _text("note"),
    Index("ix_visit_events_case_id", "case_id"),
    Index("ix_visit_events_visit_id_position", "visit_id", "position"),
    Index("ix_visit_events_physical_id", "physical_id"),
)

RECALLS: Final = Table(
    "recalls",
    METADATA,
    *_kept(),
    _reference("case_id", "cases", needed=True),
    Column("on_date", String(10), nullable=False),
    _reference("tooth_id", "teeth"),
    Column("periapical_index", Integer, nullable=True),
    _text("symptoms"),
    Column("outcome", String(16), nullable=True),
    _text("note"),
    Index("ix_recalls_case_id", "case_id"),
)

CASE_WORDS: Final = Table(
    "case_words",
    METADATA,
    Column("word", words_type(), primary_key=True),
    Column("case_id", String(32), ForeignKey("cases.id"), primary_key=True),
    Index("ix_case_words_case_id_word", "case_id", "word"),
)

SIGN_OFFS: Final = Table(
    "sign_offs",
    METADATA,
    *_kept(),
    _reference("case_id", "cases", needed=True),
    Column("subject_kind", String(24), nullable=False),
    Column("subject_id", String(32), nullable=False, index=True),
    Column("subject_version", Integer, nullable=False),
    Column("decision", String(12), nullable=False),
    Column("signed_by", String(60), nullable=False),
    _text("note"),
    Index("ix_sign_offs_case_id", "case_id"),
)

RECORD_TABLES: Final[dict[str, Table]] = {
    table.name: table
    for table in (
        CASES, TEETH, DOCUMENTS, ATTACHMENTS, VISITS, STOCK, INSTRUMENTS, INSTRUMENT_EVENTS,
        VISIT_EVENTS, RECALLS, SIGN_OFFS,
    )
}  # fmt: skip
"""Tables whose rows follow from the journal, in an order in which references can be made."""
