"""The gallery's vectors with the piece and weight of each: what a head is judged on."""

from __future__ import annotations

from typing import Any

import numpy as np
import sqlalchemy as sa

from model.leave_out import LabelledPhotos
from model.lookup import Gallery, GalleryItem
from service import tables
from service.register.nearest import NOT_THE_RIM
from service.register.tables import photo as register_photo


def load_labelled_photos(tx: sa.Connection, recipe_id: str) -> tuple[LabelledPhotos, list[str]]:
    """Present items with vectors of this recipe, and the reading id of each."""
    rows = list(tx.execute(_vectors_of(recipe_id)))
    piece_of = _find_pieces(tx)
    readings: dict[str, int] = {}
    labelled: list[GalleryItem] = []
    pieces: list[str] = []
    for row in rows:
        if row.reading_id not in readings:
            readings[row.reading_id] = len(labelled)
            labelled.append(GalleryItem(row.item_id, row.motif_id, row.motif, row.variant))
            # The same photo sent twice is one piece, whatever else is known.
            pieces.append(piece_of.get(row.reading_id, f"photo {row.photo_sha256}"))
    numbers = [np.frombuffer(row.numbers, "<f4") for row in rows]
    vectors = np.stack(numbers).astype(np.float32) if rows else np.empty((0, 1), np.float32)
    index = np.array([readings[row.reading_id] for row in rows], np.int64)
    weights = np.array([row.weight for row in rows], np.float32)
    gallery = Gallery(vectors, index, tuple(labelled), recipe_id)
    return LabelledPhotos(gallery, tuple(pieces), weights), list(readings)


def _vectors_of(recipe_id: str) -> sa.Select[Any]:
    vector, item, reading = tables.vector, tables.gallery_item, tables.reading
    joined = sa.join(vector, item, vector.c.reading_id == item.c.reading_id)
    joined = joined.join(reading, reading.c.id == vector.c.reading_id).join(tables.motif)
    wanted = sa.select(
        vector.c.reading_id,
        vector.c.weight,
        vector.c.numbers,
        item.c.id.label("item_id"),
        item.c.motif_id,
        item.c.variant,
        tables.motif.c.name.label("motif"),
        reading.c.photo_sha256,
    ).select_from(joined)
    present = wanted.where(vector.c.recipe_id == recipe_id, item.c.removed_at.is_(None))
    return present.order_by(vector.c.reading_id, vector.c.ordinal)


def _find_pieces(tx: sa.Connection) -> dict[str, str]:
    """Piece of the register that each reading's photo shows."""
    wanted = sa.select(register_photo.c.reading_id, register_photo.c.record_id)
    rows = tx.execute(wanted.where(register_photo.c.role != NOT_THE_RIM))
    return {reading_id: f"piece {record_id}" for reading_id, record_id in rows}
