"""Several photos of one piece: which motif of the gallery they show together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.facts import Candidate
from model.lookup import (
    MOST_CANDIDATES,
    Calibration,
    Gallery,
    Matches,
    Ranking,
    gather_evidence,
    judge_unknown,
    rank_motifs,
    share_among_known,
)
from model.pooled_trim import load_pooling, pool_probability

FloatArray = npt.NDArray[np.float32]
KNOWN_PRIOR = 0.5  # the look-up's own numbers were fitted on as many known as unknown motifs


@dataclass(frozen=True, eq=False)
class MotifView:
    """One photo's vectors (n, d) float32 unit rows and their weights (n,)."""

    vectors: FloatArray
    weights: FloatArray


def look_up_together(
    views: Sequence[MotifView], gallery: Gallery, calibration: Calibration | None = None
) -> Matches:
    """Find the motif that all photos together speak for.

    The evidence of the photos is multiplied: a motif's mean score over the photos, times as many as they
    are worth. Photos of one piece share their motif's look, so that ``n`` are worth fewer.

    Returns
    -------
    Matches
        As `model.lookup.look_up` gives it for one photo; views without vectors say nothing.
    """
    asked = [view for view in views if len(view.vectors)]
    if not len(gallery.items) or not len(gallery.vectors):
        return Matches((), 1.0)
    if not asked:
        return Matches((), None)
    calibration = gallery.find_calibration() if calibration is None else calibration
    recipe = load_pooling()
    count = len(asked) / (1 + (len(asked) - 1) * recipe.motif_correlation)
    rankings = [rank_motifs(view.vectors, view.weights, gallery) for view in asked]
    unknown = pool_probability(
        [
            judge_unknown(gather_evidence(gallery.lay_head(view.vectors), view.weights, ranking), calibration)
            for view, ranking in zip(asked, rankings, strict=True)
        ],
        count,
        KNOWN_PRIOR,
        recipe.most_sure,
    )
    names, scores, items = _average(rankings)
    shares = share_among_known(scores, calibration.score_slope * count) * (1 - unknown)
    return Matches(
        tuple(
            _candidate(gallery, int(items[place]), float(shares[place]), float(scores[place]))
            for place in range(min(MOST_CANDIDATES, len(names)))
        ),
        unknown,
    )


def _candidate(gallery: Gallery, item_number: int, probability: float, score: float) -> Candidate:
    item = gallery.items[item_number]
    return Candidate(item.motif, item.motif_id, item.variant, probability, 1 - score, item.gallery_id)


def _average(
    rankings: Sequence[Ranking],
) -> tuple[tuple[str, ...], FloatArray, npt.NDArray[np.int64]]:
    """Motifs best first by their mean score over the photos, with the item nearest in the best photo."""
    names = sorted(rankings[0].motif_ids)
    place = {name: number for number, name in enumerate(names)}
    scores = np.empty((len(rankings), len(names)), np.float32)
    items = np.empty((len(rankings), len(names)), np.int64)
    for row, ranking in enumerate(rankings):
        columns = [place[name] for name in ranking.motif_ids]
        scores[row, columns], items[row, columns] = ranking.scores, ranking.best_items
    mean = scores.mean(axis=0)
    nearest = items[scores.argmax(axis=0), np.arange(len(names))]
    order = np.argsort(-mean, kind="stable")
    return tuple(names[number] for number in order), mean[order], nearest[order]
