"""The register: its records, and what is drawn out of them to be searched and counted."""

from __future__ import annotations

import sqlalchemy as sa

RECORDS = (
    """CREATE TABLE register_record (
        id TEXT PRIMARY KEY, kind TEXT NOT NULL, key TEXT, sort_key TEXT NOT NULL,
        piece_id TEXT REFERENCES register_record(id) DEFERRABLE INITIALLY DEFERRED,
        about_id TEXT REFERENCES register_record(id) DEFERRABLE INITIALLY DEFERRED,
        code TEXT, body TEXT NOT NULL, added_at TEXT NOT NULL, changed_at TEXT NOT NULL, removed_at TEXT)""",
    # A number or a name means one present record; a removed one's is free again.
    "CREATE UNIQUE INDEX register_key ON register_record (kind, key) WHERE removed_at IS NULL",
    "CREATE INDEX register_order ON register_record (kind, sort_key, id) WHERE removed_at IS NULL",
    "CREATE INDEX register_changed ON register_record (changed_at)",
    "CREATE INDEX register_of_piece ON register_record (piece_id)",
    "CREATE INDEX register_about ON register_record (about_id)",
    "CREATE INDEX register_code ON register_record (code)",
    # What one change did to any number of records, as JSON; ``before`` and ``after`` tell of a gallery item.
    "ALTER TABLE change ADD COLUMN records_before TEXT",
    "ALTER TABLE change ADD COLUMN records_after TEXT",
    """CREATE TABLE register_touch (
        change_id TEXT NOT NULL, record_id TEXT NOT NULL REFERENCES register_record(id),
        PRIMARY KEY (record_id, change_id))""",
)
# Drawn out of the present records; can be made again from them at any time.
DRAWN_OUT = (
    """CREATE TABLE register_link (
        from_id TEXT NOT NULL REFERENCES register_record(id), role TEXT NOT NULL,
        to_id TEXT NOT NULL REFERENCES register_record(id), PRIMARY KEY (from_id, role, to_id))""",
    "CREATE INDEX register_link_to ON register_link (to_id)",
    """CREATE TABLE register_photo (
        record_id TEXT NOT NULL REFERENCES register_record(id), ordinal INTEGER NOT NULL,
        reading_id TEXT NOT NULL REFERENCES reading(id), role TEXT NOT NULL,
        PRIMARY KEY (record_id, ordinal))""",
    "CREATE INDEX register_photo_reading ON register_photo (reading_id)",
    """CREATE TABLE register_name (
        record_id TEXT NOT NULL REFERENCES register_record(id), key TEXT NOT NULL, kind TEXT NOT NULL,
        PRIMARY KEY (kind, key, record_id))""",
    "CREATE INDEX register_name_record ON register_name (record_id)",
    """CREATE TABLE register_text (
        record_id TEXT PRIMARY KEY REFERENCES register_record(id), kind TEXT NOT NULL, key TEXT,
        sort_key TEXT NOT NULL, text TEXT NOT NULL, pointed TEXT NOT NULL, private_text TEXT NOT NULL)""",
    "CREATE INDEX register_text_order ON register_text (kind, sort_key, record_id)",
    "CREATE INDEX register_text_key ON register_text (key)",
    """CREATE TABLE register_sighting (
        piece_id TEXT NOT NULL REFERENCES register_record(id), ordinal INTEGER NOT NULL,
        piece_number TEXT NOT NULL, piece_kind TEXT NOT NULL, owned BOOLEAN NOT NULL, decoration_id TEXT,
        motif_id TEXT, variant TEXT, metal TEXT, line_id TEXT, maker_id TEXT, distributor_id TEXT,
        number TEXT, earliest INTEGER, latest INTEGER, clash BOOLEAN NOT NULL, stamp INTEGER NOT NULL,
        PRIMARY KEY (piece_id, ordinal))""",
    "CREATE INDEX register_sighting_stamp ON register_sighting (stamp)",
)


def apply(connection: sa.Connection) -> None:
    """Make the tables of the register."""
    for statement in RECORDS + DRAWN_OUT:
        connection.exec_driver_sql(statement)
