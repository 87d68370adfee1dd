"""Saves what can be read of a damaged database into a new one; the damaged one is set aside whole."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from service.database import connect
from service.errors import StoreDamaged, StoreError
from service.files import sync_folder
from service.folder_lock import FolderUse
from service.migrations import MIGRATIONS
from service.quarantine import Quarantine
from service.store import DATABASE_NAME

SIDE_FILES = ("-wal", "-shm", "-journal")
MOST_SINGLE_ROWS = 200_000  # rows looked for one by one between the readable ends of a table


def salvage_database(folder: Path) -> str:
    """Replace the database by a new one with every row that can still be read; says how many.

    Raises
    ------
    StoreError
        Another process has the folder open, or nothing at all can be read.
    """
    use = FolderUse(folder)
    try:
        with use.alone() as alone:
            if not alone:
                raise StoreError("Another rimlight has this folder open: stop it, then repair.")
            return _salvage(folder)
    finally:
        use.release()


def _salvage(folder: Path) -> str:
    damaged, fresh = folder / DATABASE_NAME, folder / f"{DATABASE_NAME}.new"
    for path in (fresh, *(Path(f"{fresh}{end}") for end in SIDE_FILES)):
        path.unlink(missing_ok=True)  # of an earlier try that was cut short
    saved = _copy_readable(damaged, fresh)
    if not saved or not sum(saved.values()):
        fresh.unlink(missing_ok=True)
        raise StoreDamaged("Nothing of the database can be read: restore it from a backup.")
    quarantine = Quarantine(folder / "quarantine")
    kept = quarantine.take(damaged)
    for end in SIDE_FILES:
        with contextlib.suppress(StoreError):
            quarantine.take(Path(f"{damaged}{end}"))
    fresh.replace(damaged)
    sync_folder(folder)
    rows = ", ".join(f"{count} {table}" for table, count in saved.items() if count)
    return f"saved {rows}; the damaged database is kept as {kept.relative_to(folder)}"


def _copy_readable(damaged: Path, fresh: Path) -> dict[str, int]:
    """Make the new database and fill it; returns the rows saved of each table."""
    engine = connect(fresh)
    try:
        with engine.connect() as connection, connection.begin():
            for number in sorted(MIGRATIONS):
                MIGRATIONS[number](connection)
    finally:
        engine.dispose()
    source = sqlite3.connect(damaged)
    target = sqlite3.connect(fresh, isolation_level=None)
    try:
        return _fill(source, target)
    except sqlite3.DatabaseError:
        return {}
    finally:
        source.close()
        target.execute("PRAGMA journal_mode = DELETE")  # everything in the one file before it is moved
        target.close()
        with fresh.open("rb") as stream:
            os.fsync(stream.fileno())


def _fill(source: sqlite3.Connection, target: sqlite3.Connection) -> dict[str, int]:
    names = [row[0] for row in target.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    saved = {}
    target.execute("PRAGMA synchronous = FULL")
    target.execute("BEGIN")
    for name in names:
        if not name.startswith("sqlite_") and name != "applied_migration":
            saved[name] = _copy_table(source, target, name)
    target.execute("CREATE TABLE applied_migration (number INTEGER PRIMARY KEY, applied_at TEXT NOT NULL)")
    stamps = [(number, "salvaged") for number in MIGRATIONS]
    target.executemany("INSERT INTO applied_migration VALUES (?, ?)", stamps)
    target.execute("COMMIT")
    return saved


def _copy_table(source: sqlite3.Connection, target: sqlite3.Connection, table: str) -> int:
    columns = [row[1] for row in target.execute(f"PRAGMA table_info({table})")]
    listed, holes = ", ".join(f'"{c}"' for c in columns), ", ".join("?" * (len(columns) + 1))
    insert = f"INSERT OR IGNORE INTO {table} (rowid, {listed}) VALUES ({holes})"
    count = 0
    for row in _read_what_can_be_read(source, f"SELECT rowid, {listed} FROM {table}"):
        with contextlib.suppress(sqlite3.DatabaseError):  # a garbled row that the new table refuses
            count += target.execute(insert, row).rowcount
    return count


def _read_what_can_be_read(source: sqlite3.Connection, select: str) -> Iterator[tuple[Any, ...]]:
    """Rows from the front until a page cannot be read, from the back likewise, then one by one between."""
    low, complete = 0, False
    try:
        for row in source.execute(f"{select} ORDER BY rowid"):
            low = row[0]
            yield row
        complete = True
    except sqlite3.DatabaseError:
        pass
    if complete:
        return
    high = low
    with contextlib.suppress(sqlite3.DatabaseError):
        for row in source.execute(f"{select} WHERE rowid > ? ORDER BY rowid DESC", (low,)):
            high = row[0]
            yield row
    for rowid in range(low + 1, min(high, low + MOST_SINGLE_ROWS)):
        with contextlib.suppress(sqlite3.DatabaseError):
            yield from source.execute(f"{select} WHERE rowid = ?", (rowid,)).fetchall()
