"""The tables as they stand after the last migration; the store is the only user."""

from __future__ import annotations

import sqlalchemy as sa

metadata = sa.MetaData()

folder_fact = sa.Table(
    "folder_fact",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)

photo = sa.Table(
    "photo",
    metadata,
    sa.Column("sha256", sa.Text, primary_key=True),  # of the bytes as uploaded
    sa.Column("file", sa.Text, nullable=False),  # name of the sealed copy in the file folder
    sa.Column("bytes", sa.Integer, nullable=False),
    sa.Column("width", sa.Integer, nullable=False),
    sa.Column("height", sa.Integer, nullable=False),
    sa.Column("taken_at", sa.Text),
    sa.Column("added_at", sa.Text, nullable=False),
)

reading = sa.Table(
    "reading",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("photo_sha256", sa.ForeignKey("photo.sha256"), nullable=False),
    sa.Column("facts", sa.Text, nullable=False),  # the public JSON
    sa.Column("strip_file", sa.Text),
    sa.Column("recipe_id", sa.Text),
    sa.Column("neutral", sa.Text),
    sa.Column("trace", sa.Text),
    sa.Column("source", sa.Text, nullable=False),  # "photo" sent in by a person, or "demo"
    sa.Column("made_at", sa.Text, nullable=False),
)

vector = sa.Table(
    "vector",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("reading_id", sa.ForeignKey("reading.id"), nullable=False),
    sa.Column("ordinal", sa.Integer, nullable=False),
    sa.Column("recipe_id", sa.Text, nullable=False),
    sa.Column("x0", sa.Float, nullable=False),  # crop rectangle in strip px
    sa.Column("y0", sa.Float, nullable=False),
    sa.Column("x1", sa.Float, nullable=False),
    sa.Column("y1", sa.Float, nullable=False),
    sa.Column("phase", sa.Float, nullable=False),
    sa.Column("mirrored", sa.Boolean, nullable=False),
    sa.Column("weight", sa.Float, nullable=False),
    sa.Column("numbers", sa.LargeBinary, nullable=False),  # float32, little endian, unit length
)

motif = sa.Table(
    "motif",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("key", sa.Text, nullable=False, unique=True),  # folded name: one motif however it is typed
    sa.Column("added_at", sa.Text, nullable=False),
)

gallery_item = sa.Table(
    "gallery_item",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("reading_id", sa.ForeignKey("reading.id"), nullable=False, unique=True),
    sa.Column("motif_id", sa.ForeignKey("motif.id"), nullable=False),
    sa.Column("variant", sa.Text),
    sa.Column("metal", sa.Text),
    sa.Column("state", sa.Text),
    sa.Column("maker", sa.Text),
    sa.Column("line", sa.Text),
    sa.Column("decoration_number", sa.Text),
    sa.Column("piece", sa.Text),
    sa.Column("note", sa.Text),
    sa.Column("matchable", sa.Boolean, nullable=False),
    sa.Column("reason", sa.Text),
    sa.Column("added_at", sa.Text, nullable=False),
    sa.Column("removed_at", sa.Text),
)

change = sa.Table(
    "change",
    metadata,
    sa.Column("seq", sa.Integer, primary_key=True),
    sa.Column("id", sa.Text, nullable=False, unique=True),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("action", sa.Text, nullable=False),
    sa.Column("item_id", sa.ForeignKey("gallery_item.id")),
    sa.Column("before", sa.Text),  # labels and presence as JSON; null where there was no item
    sa.Column("after", sa.Text),
    sa.Column("undoes", sa.Text, unique=True),
    sa.Column("records_before", sa.Text),  # register records by id as JSON; null where there was none
    sa.Column("records_after", sa.Text),
)

answer = sa.Table(
    "answer",
    metadata,
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("fingerprint", sa.Text, nullable=False),
    sa.Column("body", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
)

applied_migration = sa.Table(
    "applied_migration",
    metadata,
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("applied_at", sa.Text, nullable=False),
)
