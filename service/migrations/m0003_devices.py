"""Paired devices, the codes that pair them, and what each has used a day."""

from __future__ import annotations

import sqlalchemy as sa

TABLES = (
    """CREATE TABLE device (
        id TEXT PRIMARY KEY, name TEXT NOT NULL, key TEXT NOT NULL, token_sha256 TEXT NOT NULL,
        is_owner BOOLEAN NOT NULL, paired_at TEXT NOT NULL, seen_at TEXT, revoked_at TEXT)""",
    # A name means one device among those that are let in; a revoked one's name is free again.
    "CREATE UNIQUE INDEX device_key ON device (key) WHERE revoked_at IS NULL",
    """CREATE TABLE pairing_code (
        code_sha256 TEXT PRIMARY KEY, is_owner BOOLEAN NOT NULL, made_at TEXT NOT NULL,
        ends_at TEXT NOT NULL)""",
    """CREATE TABLE device_use (
        device_id TEXT NOT NULL REFERENCES device(id), day TEXT NOT NULL, photos INTEGER NOT NULL,
        bytes INTEGER NOT NULL, PRIMARY KEY (device_id, day))""",
)


def apply(connection: sa.Connection) -> None:
    """Make the tables of paired devices."""
    for statement in TABLES:
        connection.exec_driver_sql(statement)
