"""The register's tables as they stand after the last migration.

A record is read, changed and logged whole, so it is stored whole, as JSON beside the columns that it is
found by. The other tables are drawn out of the present records and can be made again from them.
"""

from __future__ import annotations

import sqlalchemy as sa

from service.tables import metadata

record = sa.Table(
    "register_record",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),  # a key of records.KINDS
    sa.Column("key", sa.Text),  # folded number or name, unique among the present ones of a kind
    sa.Column("sort_key", sa.Text, nullable=False),  # number or name so that 2 comes before 10
    sa.Column("piece_id", sa.Text),  # of a decoration, a mark, or one of two pieces kept apart
    sa.Column("about_id", sa.Text),  # of evidence, an opinion, or the other of two pieces kept apart
    sa.Column("code", sa.Text),  # date code of a mark, capitals and digits alone
    sa.Column("body", sa.Text, nullable=False),  # fields that differ from their defaults, as JSON
    sa.Column("added_at", sa.Text, nullable=False),
    sa.Column("changed_at", sa.Text, nullable=False),
    sa.Column("removed_at", sa.Text),
)

touch = sa.Table(
    "register_touch",
    metadata,
    sa.Column("change_id", sa.Text, primary_key=True),
    sa.Column("record_id", sa.Text, primary_key=True),
)

link = sa.Table(
    "register_link",
    metadata,
    sa.Column("from_id", sa.Text, primary_key=True),
    sa.Column("role", sa.Text, primary_key=True),  # name of the field that points
    sa.Column("to_id", sa.Text, primary_key=True),
)

photo = sa.Table(
    "register_photo",
    metadata,
    sa.Column("record_id", sa.Text, primary_key=True),
    sa.Column("ordinal", sa.Integer, primary_key=True),
    sa.Column("reading_id", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
)

name = sa.Table(
    "register_name",
    metadata,
    sa.Column("record_id", sa.Text, primary_key=True),
    sa.Column("key", sa.Text, primary_key=True),  # folded name or alias
    sa.Column("kind", sa.Text, primary_key=True),
)

text = sa.Table(
    "register_text",
    metadata,
    sa.Column("record_id", sa.Text, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("key", sa.Text),
    sa.Column("sort_key", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),  # folded; a piece's holds all that hangs on it
    sa.Column("pointed", sa.Text, nullable=False),  # ids of what it points to, each between fences
    sa.Column("private_text", sa.Text, nullable=False),
)

sighting = sa.Table(
    "register_sighting",
    metadata,
    sa.Column("piece_id", sa.Text, primary_key=True),
    sa.Column("ordinal", sa.Integer, primary_key=True),
    sa.Column("piece_number", sa.Text, nullable=False),
    sa.Column("piece_kind", sa.Text, nullable=False),
    sa.Column("owned", sa.Boolean, nullable=False),
    sa.Column("decoration_id", sa.Text),
    sa.Column("motif_id", sa.Text),
    sa.Column("variant", sa.Text),
    sa.Column("metal", sa.Text),
    sa.Column("line_id", sa.Text),
    sa.Column("maker_id", sa.Text),
    sa.Column("distributor_id", sa.Text),
    sa.Column("number", sa.Text),
    sa.Column("earliest", sa.Integer),
    sa.Column("latest", sa.Integer),
    sa.Column("clash", sa.Boolean, nullable=False),
    sa.Column("stamp", sa.Integer, nullable=False),  # grows with every change: what is new since a look
)
