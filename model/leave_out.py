"""How well a gallery finds its own motifs again: each photo asked, all photos of its piece left out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from model.lookup import Gallery, Ranking, _share_of_windows

if TYPE_CHECKING:
    from model.head import VectorMap

FloatArray = npt.NDArray[np.float32]
Progress = Callable[[Iterable[int]], Iterable[int]]

BOOTSTRAP_ROUNDS = 2000
NOT_THERE = -2.0  # below any cosine


@dataclass(frozen=True, eq=False)
class LabelledPhotos:
    """A gallery with what judging it takes beside: the piece of each photo, the weight of each vector.

    ``pieces`` names the piece of each of ``gallery.items``; ``weights`` (N,) belongs to ``gallery.vectors``.
    """

    gallery: Gallery
    pieces: tuple[str, ...]
    weights: FloatArray

    def can_be_asked(self) -> list[int]:
        """Items with vectors, whose motif has a photo of another piece with vectors."""
        present = sorted({int(photo) for photo in self.gallery.photo_index})
        of_motif: dict[str, set[str]] = {}
        for photo in present:
            of_motif.setdefault(self.gallery.items[photo].motif_id, set()).add(self.pieces[photo])
        return [p for p in present if len(of_motif[self.gallery.items[p].motif_id]) > 1]


def rank_without(
    photos: LabelledPhotos,
    rows: FloatArray,
    asked: int,
    motifs: frozenset[str] | None = None,
) -> tuple[FloatArray, FloatArray, Ranking]:
    """Rank one photo's motif among the others', its own piece left out.

    Parameters
    ----------
    rows
        (N, k) the gallery's vectors, mapped or not.
    asked
        Item that is asked about.
    motifs
        Only these take part; default: all.

    Returns
    -------
    query (n, k), weights (n,), Ranking
        Motifs whose every photo is left out are not in the ranking.
    """
    gallery = photos.gallery
    own = gallery.photo_index == asked
    query, weights = rows[own], photos.weights[own]
    piece = photos.pieces[asked]
    allowed = np.array(
        [photos.pieces[k] != piece and (motifs is None or item.motif_id in motifs)
         for k, item in enumerate(gallery.items)], bool
    )  # fmt: skip
    count = len(gallery.items)
    nearest = np.full((count, len(query)), NOT_THERE, np.float32)
    order = np.argsort(gallery.photo_index, kind="stable")
    present, starts = np.unique(gallery.photo_index[order], return_index=True)
    nearest[present] = np.maximum.reduceat((rows @ query.T)[order], starts, axis=0)
    nearest[~allowed] = NOT_THERE
    names, number = np.unique([item.motif_id for item in gallery.items], return_inverse=True)
    by_motif = np.full((len(names), len(query)), NOT_THERE, np.float32)
    np.maximum.at(by_motif, number, nearest)
    there = np.flatnonzero(by_motif.max(axis=1) > NOT_THERE)
    if not len(there):
        return query, weights, Ranking((), np.empty(0, np.float32), np.empty(0, np.int64))
    scores = (by_motif[there] @ _share_of_windows(weights, by_motif[there])).astype(np.float32)
    best_first = np.argsort(-scores, kind="stable")
    ranked = tuple(str(names[there[k]]) for k in best_first)
    return query, weights, Ranking(ranked, scores[best_first], np.full(len(ranked), -1, np.int64))


def find_places(
    photos: LabelledPhotos,
    map_of: Callable[[int], VectorMap | None],
    progress: Progress = lambda steps: steps,
) -> npt.NDArray[np.int64]:
    """Place of the right motif for each photo of ``can_be_asked``, 0 for found first.

    ``map_of`` gives the map that a photo is judged by, None for the vectors as they are.
    """
    mapped: dict[int, FloatArray] = {}
    places = []
    for asked in progress(photos.can_be_asked()):
        one = map_of(asked)
        if id(one) not in mapped:
            vectors = photos.gallery.vectors
            mapped[id(one)] = vectors if one is None else one.apply(vectors)
        ranking = rank_without(photos, mapped[id(one)], asked)[2]
        places.append(ranking.motif_ids.index(photos.gallery.items[asked].motif_id))
    return np.array(places, np.int64)


def compare_paired(
    ours: npt.NDArray[np.int64], theirs: npt.NDArray[np.int64], pieces: Sequence[str], seed: int = 0
) -> tuple[float, float, float]:
    """Difference in the share found first, with its 95 % interval: same photos, drawn again by piece.

    References
    ----------
    B. Efron, "Bootstrap Methods: Another Look at the Jackknife", Annals of Statistics 7(1), 1979.
    """
    difference = (ours == 0).astype(float) - (theirs == 0).astype(float)
    if not len(difference):
        return 0.0, 0.0, 0.0
    names, number = np.unique(np.asarray(pieces), return_inverse=True)
    sums, counts = np.bincount(number, difference), np.bincount(number)
    drawn = np.random.default_rng(seed).integers(len(names), size=(BOOTSTRAP_ROUNDS, len(names)))
    means = sums[drawn].sum(axis=1) / counts[drawn].sum(axis=1)
    low, high = np.percentile(means, [2.5, 97.5])
    return float(difference.mean()), float(low), float(high)
