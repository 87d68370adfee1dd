"""The pieces whose photos look most like a new one: exact nearest neighbours over their stored vectors."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from model.errors import RecipeError
from model.lookup import Gallery, GalleryItem, gather_evidence, judge_unknown, load_calibration, rank_motifs
from service.register.shelf import in_parts
from service.register.tables import photo, sighting
from service.register.tables import record as table
from service.tables import vector

FloatArray = npt.NDArray[np.float32]
NOT_THE_RIM = "mark"  # photos of marks show no border
MOST_NEAR = 5


@dataclass(frozen=True)
class Near:
    """A piece with the photo of it that comes nearest; ``similarity`` is the mean cosine, -1..1."""

    piece_id: str
    reading_id: str
    motif_id: str | None
    similarity: float


@dataclass(frozen=True)
class Nearest:
    """Pieces, nearest first, and the probability that the photo's motif is on none of the register's pieces.

    The probability is None where the photo shows no border to compare.
    """

    pieces: tuple[Near, ...]
    not_in_register_probability: float | None


@dataclass(frozen=True)
class _Index:
    """Vectors of all pieces' photos in order of piece: ``starts`` is the first row of each photo."""

    photos: tuple[tuple[str, str, str | None], ...]  # (piece id, reading id, motif id)
    starts: npt.NDArray[np.int64]
    gallery: Gallery


class PieceVectors:
    """Vectors of the pieces' photos, kept in memory; only those not seen before are fetched."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._recipe_id: str | None = None
        self._held: dict[str, FloatArray] = {}
        self._index: _Index | None = None

    def find_nearest(self, tx: sa.Connection, reading_id: str, limit: int = MOST_NEAR) -> Nearest:
        """Compare a reading's photo with every piece; its own photo is compared too.

        Returns
        -------
        Nearest
            No pieces and None where no border could be cut from the photo.
        """
        query, weights, recipe_id = load_query(tx, reading_id)
        if recipe_id is None:
            return Nearest((), None)
        with self._guard:
            index = self._bring_up(tx, recipe_id)
        if not index.photos:
            return Nearest((), 1.0)
        return Nearest(_rank_pieces(query, weights, index, limit), _judge(query, weights, index.gallery))

    def _bring_up(self, tx: sa.Connection, recipe_id: str) -> _Index:
        """The index of what the register holds now."""
        photos = _list_photos(tx)
        if recipe_id != self._recipe_id:
            self._held, self._index, self._recipe_id = {}, None, recipe_id
        missing = {reading for _, reading, _ in photos} - set(self._held)
        for part in in_parts(missing):
            self._held |= {reading: np.empty((0, 0), np.float32) for reading in part}
            self._held |= _load_vectors(tx, part, recipe_id)
        with_vectors = tuple(entry for entry in photos if len(self._held[entry[1]]))
        if self._index is None or self._index.photos != with_vectors:
            self._index = _make_index(with_vectors, self._held)
            # Each photo's vectors once in memory: as a part of the index; those of photos gone are let go.
            parts = np.split(self._index.gallery.vectors, self._index.starts[1:]) if with_vectors else []
            self._held = {reading: np.empty((0, 0), np.float32) for _, reading, _ in photos}
            self._held |= {entry[1]: part for entry, part in zip(with_vectors, parts, strict=True)}
        return self._index


def load_query(tx: sa.Connection, reading_id: str) -> tuple[FloatArray, FloatArray, str | None]:
    """(n, d) vectors, (n,) weights and recipe of a reading; the recipe is None where it has none."""
    wanted = sa.select(vector).where(vector.c.reading_id == reading_id).order_by(vector.c.ordinal)
    rows = list(tx.execute(wanted))
    if not rows:
        return np.empty((0, 0), np.float32), np.empty(0, np.float32), None
    numbers = np.stack([np.frombuffer(row.numbers, "<f4") for row in rows])
    return numbers, np.array([row.weight for row in rows], np.float32), str(rows[0].recipe_id)


def _list_photos(tx: sa.Connection) -> list[tuple[str, str, str | None]]:
    """(piece, reading, motif) of every photo of a rim, in order of piece."""
    joined = sa.join(photo, table, sa.and_(photo.c.record_id == table.c.id, table.c.kind == "piece"))
    seen = sa.and_(sighting.c.piece_id == photo.c.record_id, sighting.c.ordinal == 0)
    wanted = sa.select(photo.c.record_id, photo.c.reading_id, sighting.c.motif_id)
    wanted = wanted.select_from(joined.outerjoin(sighting, seen)).where(photo.c.role != NOT_THE_RIM)
    rows = tx.execute(wanted.order_by(photo.c.record_id, photo.c.ordinal))
    return [(piece, reading, motif) for piece, reading, motif in rows]


def _load_vectors(tx: sa.Connection, reading_ids: list[str], recipe_id: str) -> Mapping[str, FloatArray]:
    wanted = sa.select(vector.c.reading_id, vector.c.numbers)
    wanted = wanted.where(vector.c.reading_id.in_(reading_ids), vector.c.recipe_id == recipe_id)
    blobs: dict[str, list[bytes]] = {}
    for reading_id, numbers in tx.execute(wanted.order_by(vector.c.reading_id, vector.c.ordinal)):
        blobs.setdefault(reading_id, []).append(numbers)
    return {r: np.frombuffer(b"".join(held), "<f4").reshape(len(held), -1) for r, held in blobs.items()}


def _make_index(photos: tuple[tuple[str, str, str | None], ...], held: Mapping[str, FloatArray]) -> _Index:
    counts = np.array([len(held[reading]) for _, reading, _ in photos], np.int64)
    starts = np.cumsum(counts) - counts
    rows = [held[reading] for _, reading, _ in photos]
    vectors = np.concatenate(rows) if rows else np.empty((0, 1), np.float32)
    # A piece whose motif nobody named stands for itself.
    items = tuple(GalleryItem(piece, motif or f"piece {piece}", motif or "") for piece, _, motif in photos)
    gallery = Gallery(vectors, np.repeat(np.arange(len(photos)), counts), items)
    return _Index(photos, starts, gallery)


def _rank_pieces(query: FloatArray, weights: FloatArray, index: _Index, limit: int) -> tuple[Near, ...]:
    """Each piece once, by the photo of it that comes nearest."""
    shares = weights / weights.sum() if weights.sum() > 0 else np.full(len(query), 1 / len(query))
    nearest = np.maximum.reduceat(index.gallery.vectors @ query.T, index.starts, axis=0)
    scores = nearest @ shares.astype(np.float32)
    found: dict[str, Near] = {}
    for place in np.argsort(-scores, kind="stable"):
        piece_id, reading_id, motif_id = index.photos[place]
        found.setdefault(piece_id, Near(piece_id, reading_id, motif_id, float(scores[place])))
        if len(found) == limit:
            break
    return tuple(found.values())


def _judge(query: FloatArray, weights: FloatArray, gallery: Gallery) -> float | None:
    try:
        calibration = load_calibration()
    except RecipeError:
        return None
    return judge_unknown(gather_evidence(query, weights, rank_motifs(query, weights, gallery)), calibration)
