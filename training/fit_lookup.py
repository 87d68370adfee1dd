"""Fit the look-up's numbers on validation motifs: scores to probabilities, evidence to "not known"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from model.lookup import (
    EVIDENCE_NAMES,
    Calibration,
    Gallery,
    Ranking,
    gather_evidence,
    rank_motifs,
    share_among_known,
)
from training.views import EmbeddedView, gather_gallery

SMALLEST_GALLERY, LARGEST_GALLERY = 8, 250
MOST_GALLERY_PHOTOS = 3
SLOPES = np.geomspace(3, 120, 60)


@dataclass(frozen=True)
class Trial:
    """One query against one gallery: ranking, evidence, place of the right motif (None: unknown)."""

    ranking: Ranking
    evidence: npt.NDArray[np.float64]
    place: int | None


def try_galleries(views: Sequence[EmbeddedView], rounds: int, seed: int, sibling_step: int) -> list[Trial]:
    """Queries against galleries of random motifs and sizes; half of the queries' motifs are held out.

    Motifs whose numbers agree when divided by ``sibling_step`` are look-alikes, so that some unknown
    motifs have a look-alike in the gallery, as they do in life.
    """
    rng = np.random.default_rng(seed)
    by_motif: dict[int, list[EmbeddedView]] = {}
    for view in views:
        by_motif.setdefault(view.motif, []).append(view)
    trials: list[Trial] = []
    for _ in range(rounds):
        motifs = rng.permutation(sorted(by_motif))
        size = int(
            np.exp(rng.uniform(np.log(SMALLEST_GALLERY), np.log(min(LARGEST_GALLERY, len(motifs) * 0.7))))
        )
        known = motifs[:size]
        families = set(known // sibling_step)
        alike = [m for m in motifs[size:] if m // sibling_step in families]
        unlike = [m for m in motifs[size:] if m // sibling_step not in families]
        photos = int(rng.integers(1, MOST_GALLERY_PHOTOS + 1))
        gallery, rest = _deal(by_motif, known, photos, rng)
        asked = rng.permutation(len(rest))[:20]
        queries = [rest[k] for k in asked]
        for group, share in ((unlike, 14), (alike, 6)):
            picked = rng.permutation(len(group))[:share]
            queries += [by_motif[group[k]][int(rng.integers(len(by_motif[group[k]])))] for k in picked]
        trials += [_try(query, gallery) for query in queries if len(query.vectors)]
    return trials


def _deal(
    by_motif: dict[int, list[EmbeddedView]],
    known: npt.NDArray[np.int_],
    photos: int,
    rng: np.random.Generator,
) -> tuple[Gallery, list[EmbeddedView]]:
    """A gallery of so many views a motif, and the views left over as queries."""
    gallery, rest = [], []
    for motif in known:
        views = [by_motif[motif][k] for k in rng.permutation(len(by_motif[motif]))]
        gallery += views[:photos]
        rest += views[photos:]
    return gather_gallery(gallery), rest


def _try(query: EmbeddedView, gallery: Gallery) -> Trial:
    ranking = rank_motifs(query.vectors, query.weights, gallery)
    name = str(query.motif)
    place = ranking.motif_ids.index(name) if name in ranking.motif_ids else None
    return Trial(ranking, gather_evidence(query.vectors, query.weights, ranking), place)


def fit_calibration(trials: Sequence[Trial], recipe_id: str) -> Calibration:
    """Slope by the likelihood of the right motif; the unknown's logistic by scikit-learn."""
    from sklearn.linear_model import LogisticRegression

    known = [trial for trial in trials if trial.place is not None]
    losses = [_log_loss(known, slope) for slope in SLOPES]
    evidence = np.array([trial.evidence for trial in trials])
    unknown = np.array([trial.place is None for trial in trials])
    mean, scale = evidence.mean(axis=0), np.maximum(evidence.std(axis=0), 1e-6)
    # Balanced: how often a photo's motif is new depends on the collection, not on the photo.
    fitted = LogisticRegression(class_weight="balanced", C=1.0).fit((evidence - mean) / scale, unknown)
    return Calibration(
        score_slope=float(SLOPES[int(np.argmin(losses))]),
        unknown_intercept=float(fitted.intercept_[0]),
        unknown_coefficients=tuple(map(float, fitted.coef_[0])),
        unknown_mean=tuple(map(float, mean)),
        unknown_scale=tuple(map(float, scale)),
        recipe_id=recipe_id,
    )


def _log_loss(known: Sequence[Trial], slope: float) -> float:
    shares = [share_among_known(trial.ranking.scores, slope)[trial.place or 0] for trial in known]
    return float(-np.log(np.maximum(shares, 1e-9)).mean())


def describe_calibration(calibration: Calibration, trials: Sequence[Trial], seed: int) -> dict[str, Any]:
    """The content of ``lookup.json``."""
    return {
        "recipe_id": calibration.recipe_id,
        "evidence": list(EVIDENCE_NAMES),
        "score_slope": calibration.score_slope,
        "unknown_intercept": calibration.unknown_intercept,
        "unknown_coefficients": list(calibration.unknown_coefficients),
        "unknown_mean": list(calibration.unknown_mean),
        "unknown_scale": list(calibration.unknown_scale),
        "fitted_on": {
            "split": "validation motifs, rendered strips",
            "known_queries": sum(trial.place is not None for trial in trials),
            "unknown_queries": sum(trial.place is None for trial in trials),
            "seed": seed,
        },
    }
