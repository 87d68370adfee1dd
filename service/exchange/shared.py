"""What of a register may leave in a shared archive: what is present and confirmed, nothing private."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from service import tables
from service.register import tables as register

Row = dict[str, Any]

# Where a piece stands at home is nobody's business either.
PRIVATE_FIELDS = ("private", "kept_at")
LEFT_OUT = ("folder_fact", "change", "register_touch")  # the log tells what was, private fields too


@dataclass(frozen=True)
class Shared:
    """Which readings and motifs are needed by what is present, and so may leave."""

    readings: frozenset[str]
    photos: frozenset[str]
    motifs: frozenset[str]

    @classmethod
    def choose(cls, tx: sa.Connection) -> Shared:
        """Present gallery items and records, and the photos that they rest on."""
        item, record = tables.gallery_item, register.record
        readings = set(tx.execute(sa.select(item.c.reading_id).where(item.c.removed_at.is_(None))).scalars())
        motifs = set(tx.execute(sa.select(item.c.motif_id).where(item.c.removed_at.is_(None))).scalars())
        for record_id, kind, body in tx.execute(
            sa.select(record.c.id, record.c.kind, record.c.body).where(record.c.removed_at.is_(None))
        ):
            held = json.loads(body)
            motifs |= {record_id} if kind == "motif" else set()  # of one that is on no piece yet, too
            readings |= {photo["reading_id"] for photo in held.get("photos", ()) if kind == "piece"}
            readings |= {held["reading_id"]} if held.get("reading_id") else set()
            motifs |= {held["motif_id"]} if held.get("motif_id") else set()
        reading = tables.reading
        known = tx.execute(sa.select(reading.c.id, reading.c.photo_sha256))
        photos = {sha256 for reading_id, sha256 in known if reading_id in readings}
        return cls(frozenset(readings), frozenset(photos), frozenset(motifs))

    def keep(self, table: sa.Table, rows: Iterator[Row]) -> Iterator[Row]:
        """The rows of one table that may leave, without their private parts."""
        if table.name in LEFT_OUT:
            return
        for row in rows:
            if self._may_leave(table.name, row):
                yield _scrub(row) if table is register.record else row

    def counts(self, tx: sa.Connection) -> dict[str, int]:
        """How many things of each kind leave."""
        item, record = tables.gallery_item, register.record
        present = {table.name: table.c.removed_at.is_(None) for table in (item, record)}
        counted = {
            table.name: int(
                tx.execute(
                    sa.select(sa.func.count()).select_from(table).where(present[table.name])
                ).scalar_one()
            )
            for table in (item, record)
        }
        return counted | {"reading": len(self.readings), "photo": len(self.photos)}

    def list_files(self, tx: sa.Connection) -> tuple[list[str], list[str]]:
        """Names of the photo and strip files that leave, sorted."""
        photo, reading = tables.photo, tables.reading
        photos = [f for sha, f in tx.execute(sa.select(photo.c.sha256, photo.c.file)) if sha in self.photos]
        strips = [
            f
            for i, f in tx.execute(sa.select(reading.c.id, reading.c.strip_file))
            if f and i in self.readings
        ]
        return sorted(set(photos)), sorted(set(strips))

    def _may_leave(self, name: str, row: Row) -> bool:
        if name == "photo":
            return row["sha256"] in self.photos
        if name == "reading":
            return row["id"] in self.readings
        if name == "vector":
            return row["reading_id"] in self.readings
        if name == "motif":
            return row["id"] in self.motifs
        return row.get("removed_at") is None


def _scrub(row: Row) -> Row:
    body = {name: value for name, value in json.loads(row["body"]).items() if name not in PRIVATE_FIELDS}
    return row | {"body": json.dumps(body, ensure_ascii=False, separators=(",", ":"))}
