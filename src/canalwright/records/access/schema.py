"""Tables of users, sessions, shares and the log of accesses; see `canalwright.records.schema`."""

from __future__ import annotations

from typing import Final

from sqlalchemy import BigInteger, Boolean, Column, ForeignKey, Index, Integer, String, Table, Text

from canalwright.records.schema import METADATA

__all__ = ["ACCESS_LOG", "CASE_GRANTS", "SESSIONS", "SIGN_IN_FAILURES", "USERS"]

_BIG: Final = BigInteger().with_variant(Integer(), "sqlite")

USERS: Final = Table(
    "users",
    METADATA,
    Column("id", String(32), primary_key=True),
    Column("version", Integer, nullable=False),
    Column("name", String(60), nullable=False, unique=True),
    Column("display_name", Text, nullable=False, server_default=""),
    Column("roles", String(80), nullable=False),
    Column("password_hash", Text, nullable=False),
    Column("active", Boolean, nullable=False),
    Column("must_change", Boolean, nullable=False),
    Column("made_utc", String(27), nullable=False),
)

SESSIONS: Final = Table(
    "sessions",
    METADATA,
    Column("digest", String(64), primary_key=True),
    Column("user_id", String(32), ForeignKey("users.id"), nullable=False, index=True),
    Column("made_utc", String(27), nullable=False),
    Column("seen_utc", String(27), nullable=False),
)

SIGN_IN_FAILURES: Final = Table(
    "sign_in_failures",
    METADATA,
    Column("id", String(32), primary_key=True),
    Column("name_digest", String(64), nullable=False),
    Column("at_utc", String(27), nullable=False),
    Index("ix_sign_in_failures_name_digest", "name_digest"),
)

CASE_GRANTS: Final = Table(
    "case_grants",
    METADATA,
    Column("user_id", String(32), ForeignKey("users.id"), primary_key=True),
    Column("case_id", String(32), ForeignKey("cases.id"), primary_key=True),
    Column("may_edit", Boolean, nullable=False),
    Index("ix_case_grants_case_id", "case_id"),
)

ACCESS_LOG: Final = Table(
    "access_log",
    METADATA,
    Column("sequence", _BIG, primary_key=True, autoincrement=False),
    Column("at_utc", String(27), nullable=False),
    Column("actor", Text, nullable=False),
    Column("operation", String(24), nullable=False),
    Column("case_id", String(32), nullable=False),
    Column("subject", Text, nullable=False),
    Column("outcome", String(12), nullable=False),
    Column("previous_hash", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
    Index("ix_access_log_case_id_sequence", "case_id", "sequence"),
    Index("ix_access_log_actor_sequence", "actor", "sequence"),
)
