"""Photos that are near-identical to one here: the same photo saved again, smaller, or cut a little."""

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

FloatArray = npt.NDArray[np.float32]
NEAR_IDENTICAL = 0.97  # mean best cosine, both ways


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
    tx: sa.Connection, archive: Archive, new_readings: Collection[str], labels: Mapping[str, str]
) -> list[NearPair]:
    """Nearest of our photos for each new one of theirs, where it is near-identical; same recipe only."""
    theirs = _their_vectors(archive, new_readings)
    if not theirs:
        return []
    mine = _my_vectors(tx, {recipe for recipe, _ in theirs.values()})
    pairs = []
    for reading_id, (recipe, vectors) in theirs.items():
        best = max(
            ((_likeness(vectors, held), mine_id) for mine_id, held in mine.get(recipe, {}).items()),
            default=(0.0, ""),
        )
        if best[0] >= NEAR_IDENTICAL:
            score = round(float(best[0]), 4)
            pairs.append(NearPair(best[1], reading_id, score, labels.get(best[1]), labels.get(reading_id)))
    return pairs


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
