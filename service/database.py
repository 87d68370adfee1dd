"""The SQLite engine: how it is opened, how a transaction begins."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import sqlalchemy as sa

BUSY_TIMEOUT_MS = 15_000  # a second process waits this long for the first one's transaction


def connect(path: Path) -> sa.Engine:
    """An engine whose transactions begin when ours do; the driver's own habit would hide them."""
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(path)))

    @sa.event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine
