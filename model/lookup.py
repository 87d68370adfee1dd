"""From the vectors of one photo and the gallery's to ranked motifs with calibrated probabilities.

The search is exact: every query window meets every gallery vector. A motif's score is the mean over the
query's windows of the cosine to the nearest vector of that motif, so that many photos of one piece crowd out
nobody. Windows count by their confidence and by how distinctly they speak for one motif before the others.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from model.facts import Candidate
from model.unknown import (
    CALIBRATION_PATH,
    EVIDENCE_NAMES,
    Calibration,
    gather_evidence,
    judge_unknown,
    load_calibration,
    share_among_known,
)

if TYPE_CHECKING:
    from model.head import Head

__all__ = [
    "CALIBRATION_PATH",
    "EVIDENCE_NAMES",
    "Calibration",
    "Gallery",
    "GalleryItem",
    "Matches",
    "Ranking",
    "gather_evidence",
    "judge_unknown",
    "load_calibration",
    "look_up",
    "rank_motifs",
    "share_among_known",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

MOST_CANDIDATES = 5
# A window counts e times more for each 1/15 that its nearest motif stands out from the mean of all: worn or
# cluttered windows lie equally near to everything. Of 0, 8, 15 and 25 on 420 validation strips, one to three
# gallery strips each, 15 found 1 to 2 points more than 0 in every case and 25 no more.
DISTINCT_SLOPE = 15.0


@dataclass(frozen=True)
class GalleryItem:
    """One labelled photo of the gallery."""

    gallery_id: str
    motif_id: str
    motif: str
    variant: str | None = None


@dataclass(frozen=True)
class Gallery:
    """All labelled vectors, ready to search.

    Attributes
    ----------
    vectors
        (N, d) float32 unit rows.
    photo_index
        (N,) int: which of ``items`` each row was cut from.
    items
        The labelled photos.
    recipe_id
        The recipe that made the vectors; "" where unknown.
    head
        A head fitted on a person's own gallery, laid over both sides of the look-up; None: none.

    Raises
    ------
    ValueError
        The arrays' lengths do not agree or an index points nowhere.
    """

    vectors: FloatArray
    photo_index: IntArray
    items: tuple[GalleryItem, ...]
    recipe_id: str = ""
    head: Head | None = None
    _sorted: _Sorted = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.vectors.ndim != 2 or self.photo_index.shape != (len(self.vectors),):
            raise ValueError(
                f"expected one photo index a vector, got {self.vectors.shape} and {self.photo_index.shape}"
            )
        if self.photo_index.size and not 0 <= self.photo_index.min() <= self.photo_index.max() < len(
            self.items
        ):
            raise ValueError(f"a photo index lies outside 0..{len(self.items) - 1}")
        object.__setattr__(self, "_sorted", _sort_by_motif(self))

    def lay_head(self, vectors: FloatArray) -> FloatArray:
        """Vectors (n, d) as the gallery's are compared."""
        return vectors if self.head is None or not len(vectors) else self.head.whole.apply(vectors)

    def find_calibration(self) -> Calibration:
        """The fitted numbers that belong to these vectors: the head's, or the shipped ones."""
        return load_calibration() if self.head is None else self.head.calibration


@dataclass(frozen=True)
class _Sorted:
    """The vectors with photos of one motif side by side, so that one pass finds each one's nearest."""

    rows: FloatArray  # (N, d), contiguous
    photos: IntArray  # (P,) items that have vectors, in order
    photo_starts: IntArray  # (P,) first row of each photo
    motifs: tuple[str, ...]  # (M,)
    motif_starts: IntArray  # (M,) first photo of each motif


def _sort_by_motif(gallery: Gallery) -> _Sorted:
    """Order the rows by motif, then photo."""
    motif_of = np.array([item.motif_id for item in gallery.items], dtype=object)
    motifs, number = np.unique(motif_of.astype(str), return_inverse=True) if len(motif_of) else ((), motif_of)
    keys = number.astype(np.int64)[gallery.photo_index] if len(motif_of) else gallery.photo_index
    order = np.lexsort((gallery.photo_index, keys))
    photo_of_row = gallery.photo_index[order]
    photo_starts = np.flatnonzero(np.r_[True, np.diff(photo_of_row) != 0][: len(order)])
    photos = photo_of_row[photo_starts]
    motif_of_photo = keys[order][photo_starts]
    motif_starts = np.flatnonzero(np.r_[True, np.diff(motif_of_photo) != 0][: len(photos)])
    names = tuple(str(motifs[index]) for index in motif_of_photo[motif_starts])
    rows = np.ascontiguousarray(gallery.lay_head(gallery.vectors[order]))
    return _Sorted(rows, photos, photo_starts, names, motif_starts)


@dataclass(frozen=True)
class Ranking:
    """Motifs of the gallery, best first: ids, scores (cosine, -1..1), index of the best item of each."""

    motif_ids: tuple[str, ...]
    scores: FloatArray
    best_items: IntArray


def rank_motifs(query: FloatArray, weights: FloatArray, gallery: Gallery) -> Ranking:
    """Rank every motif of the gallery, exactly.

    Parameters
    ----------
    query
        (n, d) float32 unit rows, n >= 1.
    weights
        (n,) float32 >= 0; all zero counts as all equal.
    gallery
        With vectors of the same recipe.

    Raises
    ------
    ValueError
        Lengths of the vectors or the weights do not agree.
    """
    if query.ndim != 2 or weights.shape != (len(query),) or not len(query):
        raise ValueError(f"expected one weight a query vector, got {query.shape} and {weights.shape}")
    index = gallery._sorted
    if not index.motifs:
        return Ranking((), np.empty(0, np.float32), np.empty(0, np.int64))
    if query.shape[1] == gallery.vectors.shape[1]:
        query = gallery.lay_head(query)
    if query.shape[1] != index.rows.shape[1]:
        raise ValueError(f"expected vectors of {index.rows.shape[1]} numbers, got {query.shape[1]}")
    # Gallery vectors down, query windows across: a maximum over rows runs along memory.
    nearest_in_photo = np.maximum.reduceat(index.rows @ query.T, index.photo_starts, axis=0)
    nearest_in_motif = np.maximum.reduceat(nearest_in_photo, index.motif_starts, axis=0)
    shares = _share_of_windows(weights, nearest_in_motif)
    scores = (nearest_in_motif @ shares).astype(np.float32)
    best_items = _best_photo_of_each(nearest_in_photo @ shares, index)
    order = np.argsort(-scores, kind="stable")
    names = tuple(index.motifs[place] for place in order)
    return Ranking(names, scores[order], best_items[order])


def _share_of_windows(weights: FloatArray, nearest: FloatArray) -> npt.NDArray[np.float64]:
    """What each window counts, (n,), sum 1; ``nearest`` (M, n) are its cosines to every motif."""
    even = weights.astype(np.float64) if weights.sum() > 0 else np.ones(len(weights))
    shares = even * np.exp(DISTINCT_SLOPE * (nearest.max(axis=0) - nearest.mean(axis=0)))
    return np.asarray(shares / shares.sum(), np.float64)


def _best_photo_of_each(photo_scores: npt.NDArray[np.floating], index: _Sorted) -> IntArray:
    """For each motif the item whose own vectors come nearest."""
    bounds = np.r_[index.motif_starts, len(index.photos)]
    best = [first + int(photo_scores[first:last].argmax()) for first, last in pairwise(bounds)]
    return index.photos[best]


@dataclass(frozen=True)
class Matches:
    """Candidates, best first, each motif once; with the probability that none of the gallery is right."""

    candidates: tuple[Candidate, ...]
    not_in_gallery_probability: float | None


def look_up(
    query: FloatArray,
    weights: FloatArray,
    gallery: Gallery,
    calibration: Calibration | None = None,
) -> Matches:
    """Find the motifs nearest to a photo's vectors.

    Parameters
    ----------
    query
        (n, d) float32 unit rows of the photo's windows.
    weights
        (n,) float32 confidence of each window.
    gallery
        The labelled vectors.
    calibration
        Fitted numbers; default: the shipped ones.

    Returns
    -------
    Matches
        At most five candidates; their probabilities and ``not_in_gallery_probability`` sum to at most 1.
        An empty gallery gives none and 1; no query vector gives none and None.
    """
    if not len(gallery.items) or not len(gallery.vectors):
        return Matches((), 1.0)
    if not len(query):
        return Matches((), None)
    calibration = gallery.find_calibration() if calibration is None else calibration
    ranking = rank_motifs(query, weights, gallery)
    evidence = gather_evidence(gallery.lay_head(query), weights, ranking)
    unknown = judge_unknown(evidence, calibration)
    shares = share_among_known(ranking.scores, calibration.score_slope) * (1 - unknown)
    candidates = []
    for place in range(min(MOST_CANDIDATES, len(ranking.motif_ids))):
        item = gallery.items[ranking.best_items[place]]
        candidates.append(
            Candidate(
                motif=item.motif,
                motif_id=item.motif_id,
                variant=item.variant,
                probability=float(shares[place]),
                distance=float(1 - ranking.scores[place]),
                gallery_id=item.gallery_id,
            )
        )
    return Matches(tuple(candidates), unknown)
