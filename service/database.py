"""The SQLite engine: how it is opened, how a transaction begins."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

import sqlalchemy as sa

from service.errors import StoreBusy, StoreDamaged, StoreError

# What SQLite says, and what a person can do about it.
ADVICE = (
    ("malformed", "is damaged: stop rimlight, then run `rimlight check`; `--repair` saves what can be read"),
    ("Could not decode", "is damaged: stop rimlight, then run `rimlight check`"),
    ("not a database", "is damaged or not a gallery: restore a backup, or take another folder with --data"),
    ("disk is full", "has no room left: free some space. Nothing was changed"),
    ("readonly", "cannot be written: check the rights of the folder. Nothing was changed"),
    ("read-only", "cannot be written: check the rights of the folder. Nothing was changed"),
    ("unable to open", "cannot be opened: check the rights of the folder and whether the disk is there"),
    ("I/O error", "cannot be read or written: check the disk, its room and its rights"),
)
BUSY_TIMEOUT_MS = 30_000  # a second process waits this long for the first one's transaction
LOG_TRIES = 50  # times 0.1 s; switching to the write-ahead log does not heed the time-out above


def connect(path: Path) -> sa.Engine:
    """An engine whose transactions begin when ours do; the driver's own habit would hide them."""
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(path)))

    @sa.event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        _switch_to_log(connection)
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA cell_size_check = ON")  # a damaged page is noticed when it is read
        connection.execute("PRAGMA trusted_schema = OFF")  # a file from elsewhere may bring its own triggers

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _switch_to_log(connection: sqlite3.Connection) -> None:
    """Write ahead; processes that open a new database at the same moment wait for one another."""
    for attempt in range(LOG_TRIES):
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or attempt == LOG_TRIES - 1:
                raise
            time.sleep(0.1)


def connect_in_memory() -> sa.Engine:
    """An empty database that goes with its connection."""
    return sa.create_engine("sqlite://")


def explain_database_error(folder: Path, error: sa.exc.SQLAlchemyError) -> StoreError | StoreBusy:
    """The driver's words as a sentence that says what to do."""
    reason = str(getattr(error, "orig", None) or "too many at once")
    if "locked" in reason or isinstance(error, sa.exc.TimeoutError):
        return StoreBusy(f"Another program holds the gallery in {folder} ({reason}): try again shortly.")
    for said, advice in ADVICE:
        if said in reason:
            kind = StoreDamaged if "damaged" in advice else StoreError
            return kind(f"The gallery in {folder} {advice} ({reason}).")
    return StoreError(
        f"The gallery in {folder} cannot be used ({reason}): check free space and rights, then run "
        "`rimlight check`."
    )
