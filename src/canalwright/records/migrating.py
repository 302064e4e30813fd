"""The layout of the database: made, recognized, brought up to date after a backup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, text

from canalwright.records import database
from canalwright.records.errors import StoreUnavailable, WrongSchema

if TYPE_CHECKING:
    from alembic.config import Config

    from canalwright.records.store import Store

__all__ = ["HEAD", "REVISIONS", "VERSION_TABLE", "layout_of", "migrate_connection", "prepare"]

REVISIONS: Final = ("0001", "0002", "0003")
"""Every layout there has been, oldest first; a test compares them with the migrations."""

HEAD: Final = REVISIONS[-1]

_MIGRATIONS: Final = Path(__file__).parent / "migrations"
VERSION_TABLE: Final = "records_layout"


def layout_of(connection: Connection) -> str | None:
    """Return the layout of the database, None if it holds no records yet."""
    if VERSION_TABLE not in database.table_names(connection):
        return None
    query = text(f"SELECT version_num FROM {VERSION_TABLE}")
    return connection.execute(query).scalar_one_or_none()


def prepare(store: Store, *, may_migrate: bool) -> None:
    """Make the records if there are none; bring an older layout up to date, after a backup.

    Raises
    ------
    StoreUnavailable
        If the folder cannot be made.
    WrongSchema
        If the layout is unknown, or older and may not be changed.
    """
    from canalwright.records.backup import back_up_before_migration

    try:
        store.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreUnavailable(
            place=str(store.folder), problem=f"the folder cannot be made ({error.strerror})"
        ) from None
    with database.read(store.engine) as connection:
        layout = layout_of(connection)
    if layout == HEAD:
        return
    if layout is not None:
        _check_may_migrate(store, layout, may_migrate)
        back_up_before_migration(store, layout)
    with database.write(store.engine) as connection:
        migrate_connection(connection)


def migrate_connection(connection: Connection, target: str = HEAD) -> None:
    """Bring the database to a layout within the connection's own transaction."""
    from alembic import command

    if not database.is_sqlite(connection):
        # Two programs that start at once must not both make the tables.
        connection.execute(text("SELECT pg_advisory_xact_lock(727001)"))
    if layout_of(connection) == target:
        return
    command.upgrade(alembic_config(connection), target)


def alembic_config(connection: Connection | None = None) -> Config:
    """Return the settings of the migration library for a connection."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    attributes: dict[str, Any] = {"connection": connection, "version_table": VERSION_TABLE}
    config.attributes.update(attributes)
    return config


def _check_may_migrate(store: Store, layout: str, may_migrate: bool) -> None:
    if layout not in REVISIONS:
        raise WrongSchema(
            place=store.place, found=layout, known=f"{REVISIONS[0]} to {HEAD}",
            hint="They were written by a newer version of this program; install that version.",
        )  # fmt: skip
    if not may_migrate:
        raise WrongSchema(
            place=store.place, found=layout, known=HEAD,
            hint="Bring them up to date with: canalwright doctor --migrate (a backup is made).",
        )  # fmt: skip
