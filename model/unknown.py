"""Fitted numbers of the look-up: scores to probabilities, evidence to "not in the gallery"."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from model.errors import RecipeError

if TYPE_CHECKING:
    from model.lookup import Ranking

FloatArray = npt.NDArray[np.float32]

CALIBRATION_PATH = Path(__file__).parent / "weights" / "lookup.json"


@dataclass(frozen=True)
class Calibration:
    """Fitted numbers: scores to probabilities, evidence to "not in the gallery".

    ``unknown_coefficients`` belong to ``EVIDENCE_NAMES``; the evidence is standardised by
    ``unknown_mean`` and ``unknown_scale`` first.
    """

    score_slope: float
    unknown_intercept: float
    unknown_coefficients: tuple[float, ...]
    unknown_mean: tuple[float, ...]
    unknown_scale: tuple[float, ...]
    recipe_id: str


EVIDENCE_NAMES = (
    "best score",
    "margin to the second motif",
    "agreement of the windows",
    "mean window weight",
    "log windows",
    "log motifs in the gallery",
)


@lru_cache(maxsize=4)
def load_calibration(path: Path = CALIBRATION_PATH) -> Calibration:
    """Read the fitted numbers.

    Raises
    ------
    RecipeError
        The file is missing or does not hold them.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        calibration = Calibration(
            score_slope=float(content["score_slope"]),
            unknown_intercept=float(content["unknown_intercept"]),
            unknown_coefficients=tuple(map(float, content["unknown_coefficients"])),
            unknown_mean=tuple(map(float, content["unknown_mean"])),
            unknown_scale=tuple(map(float, content["unknown_scale"])),
            recipe_id=str(content["recipe_id"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RecipeError(f"expected fitted look-up numbers at {path.name}, got {error!r}") from error
    lengths = {len(calibration.unknown_coefficients), len(calibration.unknown_mean)}
    if lengths != {len(EVIDENCE_NAMES)} or len(calibration.unknown_scale) != len(EVIDENCE_NAMES):
        raise RecipeError(f"expected {len(EVIDENCE_NAMES)} look-up numbers a row in {path.name}")
    return calibration


def gather_evidence(query: FloatArray, weights: FloatArray, ranking: Ranking) -> npt.NDArray[np.float64]:
    """What speaks for or against "not in the gallery", in the order of ``EVIDENCE_NAMES``."""
    best = float(ranking.scores[0])
    # One motif alone has no second; an unrelated pair's usual cosine stands in for it.
    second = float(ranking.scores[1]) if len(ranking.scores) > 1 else 0.0
    agreement = float(np.linalg.norm(query.mean(axis=0)))
    return np.array(
        [
            best,
            best - second,
            agreement,
            float(weights.mean()),
            float(np.log(len(query))),
            float(np.log(len(ranking.scores))),
        ]
    )


def judge_unknown(evidence: npt.NDArray[np.float64], calibration: Calibration) -> float:
    """Probability that the photo's motif is not in the gallery (logistic in the evidence)."""
    standard = (evidence - np.array(calibration.unknown_mean)) / np.array(calibration.unknown_scale)
    logit = calibration.unknown_intercept + float(standard @ np.array(calibration.unknown_coefficients))
    return float(1 / (1 + np.exp(-np.clip(logit, -30, 30))))


def share_among_known(scores: FloatArray, slope: float) -> npt.NDArray[np.float64]:
    """Probability of each motif given that one of the gallery is right: softmax of slope times score."""
    powers = np.exp(slope * (scores.astype(np.float64) - float(scores[0])))
    shares: npt.NDArray[np.float64] = powers / powers.sum()
    return shares
