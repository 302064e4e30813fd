"""Stock: deliveries of instruments, what is left of them, what expires."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select

from canalwright.records.errors import NotRecorded, RecordsError
from canalwright.records.nouns import Stock
from canalwright.records.rows import noun_of_row
from canalwright.records.schema import INSTRUMENTS, STOCK
from canalwright.records.store import Reading, Writing
from canalwright.records.visits import checked_date

__all__ = ["StockLine", "find_delivery", "receive_stock", "stock_lines", "taken_from"]


@dataclass(frozen=True, slots=True)
class StockLine:
    """One delivery and what is left of it.

    Attributes
    ----------
    delivery : Stock
    opened_count, left_count : int
    expired : bool
    """

    delivery: Stock
    opened_count: int
    left_count: int
    expired: bool


def receive_stock(
    writing: Writing,
    *,
    instrument: str,
    received_count: int,
    lot: str = "",
    expires_on: str = "",
    note: str = "",
) -> Stock:
    """Record a delivery.

    Raises
    ------
    OutOfRange
        If the number is negative.
    MalformedText
        If the date is none.
    """
    return writing.create(
        Stock(
            instrument=instrument,
            received_count=received_count,
            lot=lot,
            expires_on=checked_date(expires_on, "expires on"),
            received_on=writing.now_utc[:10],
            note=note,
        )
    )


def stock_lines(reading: Reading, *, instrument: str = "", today: str = "") -> list[StockLine]:
    """Return every delivery with what is left, the first to expire first."""
    opened = (
        select(INSTRUMENTS.c.stock_id, func.count().label("opened_count"))
        .where(INSTRUMENTS.c.withdrawn.is_(False), INSTRUMENTS.c.stock_id.is_not(None))
        .group_by(INSTRUMENTS.c.stock_id)
        .subquery()
    )
    query = (
        select(STOCK, func.coalesce(opened.c.opened_count, 0).label("opened_count"))
        .outerjoin(opened, opened.c.stock_id == STOCK.c.id)
        .where(STOCK.c.withdrawn.is_(False))
        .order_by(STOCK.c.instrument, STOCK.c.expires_on, STOCK.c.sequence)
    )
    if instrument:
        query = query.where(STOCK.c.instrument == instrument)
    return [
        _line(noun_of_row(Stock, row), int(row["opened_count"]), today)
        for row in reading.connection.execute(query).mappings()
    ]


def find_delivery(reading: Reading, begins: str) -> Stock:
    """Return the delivery whose id begins so.

    Raises
    ------
    NotRecorded
        If none does, or several do.
    """
    found = [one for one in reading.find(Stock, withdrawn=False) if one.id.startswith(begins)]
    if len(found) != 1:
        hint = "Several begin so; give more of it." if found else "See: canalwright stock list."
        raise NotRecorded(kind="delivery", got=begins, hint=hint)
    return found[0]


def taken_from(reading: Reading, stock_id: str, instrument: str) -> Stock:
    """Return the delivery that an instrument is to be taken from.

    Raises
    ------
    RecordsError
        If it is of another kind, or nothing is left.
    """
    delivery = reading.get(Stock, stock_id)
    if delivery.instrument != instrument:
        raise RecordsError(
            f"That delivery is of {delivery.instrument}, and the instrument is {instrument}."
        )
    line = next(one for one in stock_lines(reading) if one.delivery.id == stock_id)
    if line.left_count < 1:
        raise RecordsError(
            f"Nothing is left of that delivery of {delivery.instrument}: {delivery.received_count} "
            f"received, {line.opened_count} opened, {delivery.discarded_count} discarded."
        )
    return delivery


def _line(delivery: Stock, opened_count: int, today: str) -> StockLine:
    left = delivery.received_count - opened_count - delivery.discarded_count
    expired = bool(today and delivery.expires_on) and delivery.expires_on < today
    return StockLine(delivery, opened_count, max(left, 0), expired)
