"""Stock, the difficulty of a case, and words by which cases are found."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from canalwright.records.words import words_of

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_WORD = sa.String(80).with_variant(sa.String(80, collation="C"), "postgresql")
_BATCH = 2_000


def upgrade() -> None:
    """Add stock, difficulty and the words, and find the words of every case there is."""
    _add_stock()
    op.add_column(
        "cases", sa.Column("difficulty", sa.String(40), nullable=False, server_default="")
    )
    op.create_table(
        "case_words",
        sa.Column("word", _WORD),
        sa.Column("case_id", sa.String(32)),
        sa.PrimaryKeyConstraint("word", "case_id", name="pk_case_words"),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name="fk_case_words_case_id"),
    )
    op.create_index("ix_case_words_case_id_word", "case_words", ["case_id", "word"])
    _fill_words()


def downgrade() -> None:
    """Not offered: a backup is made before every change of the layout."""
    raise NotImplementedError


def _add_stock() -> None:
    op.create_table(
        "stock",
        sa.Column("id", sa.String(32)),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
        sa.Column("sequence", _BIG, nullable=False),
        sa.Column("instrument", sa.String(80), nullable=False),
        sa.Column("received_count", sa.Integer, nullable=False),
        sa.Column("lot", sa.Text, nullable=False, server_default=""),
        sa.Column("expires_on", sa.String(10), nullable=False, server_default=""),
        sa.Column("received_on", sa.String(10), nullable=False, server_default=""),
        sa.Column("discarded_count", sa.Integer, nullable=False),
        sa.Column("note", sa.Text, nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("id", name="pk_stock"),
        sa.ForeignKeyConstraint(["sequence"], ["journal.sequence"], name="fk_stock_sequence"),
    )
    op.create_index("ix_stock_sequence", "stock", ["sequence"])
    op.create_index("ix_stock_instrument", "stock", ["instrument"])
    op.execute("ALTER TABLE instruments ADD COLUMN stock_id VARCHAR(32) REFERENCES stock (id)")
    op.create_index("ix_instruments_stock_id", "instruments", ["stock_id"])


def _fill_words() -> None:
    connection = op.get_bind()
    teeth: dict[str, list[str]] = {}
    for row in connection.execute(sa.text("SELECT case_id, number FROM teeth")):
        teeth.setdefault(str(row.case_id), []).append(str(row.number))
    cases = connection.execute(sa.text("SELECT id, pseudonym, label FROM cases")).all()
    found = [
        {"word": word, "case_id": str(case.id)}
        for case in cases
        for word in words_of(case.pseudonym, case.label, *teeth.get(str(case.id), ()))
    ]
    insert = sa.text("INSERT INTO case_words (word, case_id) VALUES (:word, :case_id)")
    for start in range(0, len(found), _BATCH):
        connection.execute(insert, found[start : start + _BATCH])
