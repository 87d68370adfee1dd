"""Photos, readings, vectors, motifs, gallery, change log, kept answers."""

from __future__ import annotations

import sqlalchemy as sa

TABLES = (
    "CREATE TABLE folder_fact (name TEXT PRIMARY KEY, value TEXT NOT NULL)",
    """CREATE TABLE photo (
        sha256 TEXT PRIMARY KEY, file TEXT NOT NULL, bytes INTEGER NOT NULL, width INTEGER NOT NULL,
        height INTEGER NOT NULL, taken_at TEXT, added_at TEXT NOT NULL)""",
    """CREATE TABLE reading (
        id TEXT PRIMARY KEY, photo_sha256 TEXT NOT NULL REFERENCES photo(sha256), facts TEXT NOT NULL,
        strip_file TEXT, recipe_id TEXT, neutral TEXT, trace TEXT, source TEXT NOT NULL,
        made_at TEXT NOT NULL)""",
    "CREATE INDEX reading_photo ON reading (photo_sha256)",
    "CREATE INDEX reading_made ON reading (source, made_at)",
    """CREATE TABLE vector (
        id INTEGER PRIMARY KEY, reading_id TEXT NOT NULL REFERENCES reading(id), ordinal INTEGER NOT NULL,
        recipe_id TEXT NOT NULL, x0 REAL NOT NULL, y0 REAL NOT NULL, x1 REAL NOT NULL, y1 REAL NOT NULL,
        phase REAL NOT NULL, mirrored BOOLEAN NOT NULL, weight REAL NOT NULL, numbers BLOB NOT NULL,
        UNIQUE (reading_id, recipe_id, ordinal))""",
    """CREATE TABLE motif (
        id TEXT PRIMARY KEY, name TEXT NOT NULL, key TEXT NOT NULL UNIQUE, added_at TEXT NOT NULL)""",
    """CREATE TABLE gallery_item (
        id TEXT PRIMARY KEY, reading_id TEXT NOT NULL UNIQUE REFERENCES reading(id),
        motif_id TEXT NOT NULL REFERENCES motif(id), variant TEXT, metal TEXT, state TEXT, maker TEXT,
        line TEXT, decoration_number TEXT, piece TEXT, note TEXT, matchable BOOLEAN NOT NULL, reason TEXT,
        added_at TEXT NOT NULL, removed_at TEXT)""",
    "CREATE INDEX gallery_item_motif ON gallery_item (motif_id)",
    """CREATE TABLE change (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, at TEXT NOT NULL, who TEXT NOT NULL,
        action TEXT NOT NULL, item_id TEXT REFERENCES gallery_item(id), before TEXT, after TEXT,
        undoes TEXT UNIQUE)""",
    "CREATE INDEX change_item ON change (item_id)",
    """CREATE TABLE answer (
        key TEXT PRIMARY KEY, fingerprint TEXT NOT NULL, body TEXT NOT NULL, at TEXT NOT NULL)""",
)
# The log is append only by the database's own rule, not by good manners.
LOG_GUARDS = (
    "CREATE TRIGGER change_keeps BEFORE UPDATE ON change BEGIN SELECT RAISE(ABORT, 'append only'); END",
    "CREATE TRIGGER change_stays BEFORE DELETE ON change BEGIN SELECT RAISE(ABORT, 'append only'); END",
)


def apply(connection: sa.Connection) -> None:
    """Make the first tables."""
    for statement in TABLES + LOG_GUARDS:
        connection.exec_driver_sql(statement)
