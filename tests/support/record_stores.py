"""Fixtures: empty records on SQLite and on PostgreSQL, so that one test asks both.

A test module imports the fixtures it needs; where no PostgreSQL can be started its half of the
tests is skipped with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest

from canalwright.records import Store
from support import postgres

__all__ = ["SteppingClock", "database_url", "open_store", "postgres_server", "store"]


class SteppingClock:
    """A clock that goes on by one second each time it is read, and can be set."""

    def __init__(self) -> None:
        self.moment = datetime(2026, 1, 31, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.moment += timedelta(seconds=1)
        return self.moment


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[postgres.Server | str]:
    """A server, or the reason why there is none."""
    try:
        with postgres.running() as server:
            yield server
    except postgres.Absent as reason:
        yield str(reason)


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest) -> str | None:
    """Where the database of this test is: None for SQLite in the folder."""
    if request.param == "sqlite":
        return None
    server = request.getfixturevalue("postgres_server")
    if isinstance(server, str):
        pytest.skip(server)
    return server.new_database()


@pytest.fixture
def open_store(tmp_path, database_url) -> Iterator[Callable[[], Store]]:
    """Open the same records again and again, as processes would one after the other."""
    opened = []

    def open_again(**options) -> Store:
        opened.append(Store.open(tmp_path / "data", database_url, **options))
        return opened[-1]

    yield open_again
    for one in opened:
        one.close()


@pytest.fixture
def store(open_store) -> Store:
    """Empty records."""
    return open_store(clock=SteppingClock())
