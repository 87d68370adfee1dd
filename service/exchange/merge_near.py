"""Photos that are near-identical to one here: the same photo saved again, smaller or darker.

The vectors of their borders bring up the few that may be it; whether it is the same photo, the pictures say.
Vectors alone cannot: two plates of one motif come as near (measured on 36 rendered photos and 14 saved again:
likeness of the same photo .78 to .99, of other photos of the motif up to .99; of the pictures .9997 and more
against .94 and less). A photo that was cut is not recognised.
"""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from service import tables
from service.exchange.archive import Archive
from service.files import FileFolder

FloatArray = npt.NDArray[np.float32]
WORTH_A_LOOK = 0.75  # mean best cosine, both ways
MOST_LOOKED_AT = 5
SAME_PICTURE = 0.97  # correlation of the pictures at 32 by 32
SIDE_PX = 32


@dataclass(frozen=True)
class NearPair:
    """A new photo of theirs and the one here that it nearly is."""

    mine: str
    theirs: str
    similarity: float
    my_motif: str | None
    their_motif: str | None


@dataclass(frozen=True)
class AliasProposal:
    """Their name may be ours for the same motif: for a person to decide."""

    theirs: str
    mine: str
    photos: int


def find_near(
    tx: sa.Connection,
    archive: Archive,
    new_readings: Collection[str],
    labels: Mapping[str, str],
    photos: FileFolder,
) -> list[NearPair]:
    """For each new photo of theirs the one here that it nearly is, where there is one; same recipe only."""
    theirs = _their_vectors(archive, new_readings)
    if not theirs:
        return []
    mine = _my_vectors(tx, {recipe for recipe, _ in theirs.values()})
    pictures = _Pictures(tx, archive, photos)
    pairs = []
    for reading_id, (recipe, vectors) in theirs.items():
        alike = [(_likeness(vectors, held), mine_id) for mine_id, held in mine.get(recipe, {}).items()]
        worth = sorted((pair for pair in alike if pair[0] >= WORTH_A_LOOK), reverse=True)[:MOST_LOOKED_AT]
        seen = [(pictures.compare(mine_id, reading_id), mine_id) for _, mine_id in worth]
        best, mine_id = max(seen, default=(0.0, ""))
        if best >= SAME_PICTURE:
            score = round(best, 4)
            pairs.append(NearPair(mine_id, reading_id, score, labels.get(mine_id), labels.get(reading_id)))
    return pairs


class _Pictures:
    """Small grey pictures of both sides' photos, made once."""

    def __init__(self, tx: sa.Connection, archive: Archive, photos: FileFolder) -> None:
        joined = sa.join(tables.reading, tables.photo)
        wanted = sa.select(tables.reading.c.id, tables.photo.c.file).select_from(joined)
        self._mine = {reading: file for reading, file in tx.execute(wanted)}
        files = {row["sha256"]: row["file"] for row in archive.rows("photo")}
        self._theirs = {row["id"]: files.get(row["photo_sha256"]) for row in archive.rows("reading")}
        self._archive, self._photos = archive, photos
        self._made: dict[tuple[bool, str], FloatArray | None] = {}

    def compare(self, mine_id: str, their_id: str) -> float:
        """Correlation of the two photos, -1..1; 0 where one cannot be looked at."""
        one, other = self._take(True, mine_id), self._take(False, their_id)
        return 0.0 if one is None or other is None else float((one * other).sum())

    def _take(self, is_mine: bool, reading_id: str) -> FloatArray | None:
        key = (is_mine, reading_id)
        if key not in self._made:
            self._made[key] = _shrink(self._read(is_mine, reading_id))
        return self._made[key]

    def _read(self, is_mine: bool, reading_id: str) -> bytes | None:
        name = (self._mine if is_mine else self._theirs).get(reading_id)
        if name is None:
            return None
        return self._photos.read(name) if is_mine else self._archive.read(f"photos/{name}")


def _shrink(data: bytes | None) -> FloatArray | None:
    """A photo at 32 by 32 grey, without its mean and of unit length."""
    import cv2

    if data is None:
        return None
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_4)
    if picture is None:
        return None
    small = cv2.resize(picture, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA).astype(np.float32)
    small -= small.mean()
    return np.asarray(small / max(float(np.linalg.norm(small)), 1e-6), np.float32)


def propose_aliases(near: list[NearPair], differing: Mapping[str, str]) -> list[AliasProposal]:
    """Names that stand for the same photo or nearly the same one, in both galleries."""
    pairs = Counter(
        (pair.their_motif, pair.my_motif)
        for pair in near
        if pair.their_motif and pair.my_motif and pair.their_motif != pair.my_motif
    )
    pairs.update(differing.items())
    return [AliasProposal(theirs, mine, count) for (theirs, mine), count in pairs.most_common()]


def _likeness(one: FloatArray, other: FloatArray) -> float:
    cosines = one @ other.T
    return float(min(cosines.max(axis=1).mean(), cosines.max(axis=0).mean()))


def _their_vectors(archive: Archive, wanted: Collection[str]) -> dict[str, tuple[str, FloatArray]]:
    blobs: dict[str, list[bytes]] = {}
    recipes: dict[str, str] = {}
    for row in archive.rows("vector"):
        if row["reading_id"] in wanted:
            blobs.setdefault(row["reading_id"], []).append(base64.b64decode(row["numbers"]))
            recipes[row["reading_id"]] = row["recipe_id"]
    return {i: (recipes[i], _stack(held)) for i, held in blobs.items()}


def _my_vectors(tx: sa.Connection, recipes: Collection[str]) -> dict[str, dict[str, FloatArray]]:
    vector = tables.vector
    wanted = sa.select(vector.c.recipe_id, vector.c.reading_id, vector.c.numbers)
    wanted = wanted.where(vector.c.recipe_id.in_(recipes)).order_by(vector.c.reading_id, vector.c.ordinal)
    blobs: dict[tuple[str, str], list[bytes]] = {}
    for recipe, reading_id, numbers in tx.execute(wanted):
        blobs.setdefault((recipe, reading_id), []).append(numbers)
    found: dict[str, dict[str, FloatArray]] = {}
    for (recipe, reading_id), held in blobs.items():
        found.setdefault(recipe, {})[reading_id] = _stack(held)
    return found


def _stack(blobs: list[bytes]) -> FloatArray:
    return np.frombuffer(b"".join(blobs), "<f4").reshape(len(blobs), -1)
