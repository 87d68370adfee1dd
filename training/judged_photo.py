"""What a fit says of a photo that it never saw, and how that stands to the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

from model.facts import Metal, Verdict
from model.trim import choose_verdict, is_surely_metal
from model.worn import WearJudgement
from training.trim_features_table import PhotoRow


@dataclass(frozen=True, eq=False)
class Judged:
    """A photo's chances and wear, with the verdict that thresholds give; ``wear`` None where none is told."""

    row: PhotoRow
    chances: dict[str, float]
    wear: WearJudgement | None
    trust: float | None = None
    verdict: Verdict = "cannot tell"
    metal: Metal | None = None


def decide(judged: Judged, thresholds: dict[str, float]) -> Judged:
    """The judgement with the verdict, and without the wear where that is not sure to be metal's."""
    worn = None if judged.wear is None else judged.wear.worn_chance
    verdict, metal = choose_verdict(judged.chances, worn, thresholds, judged.trust)
    wear = judged.wear if is_surely_metal(judged.chances, thresholds) else None
    return replace(judged, wear=wear, verdict=verdict, metal=metal)


def is_answered(judged: Judged) -> bool:
    """A metal is named, or its absence is claimed."""
    return judged.metal is not None or judged.verdict == "no metal"


def is_wrong(judged: Judged) -> bool:
    """The named metal, or the claimed absence, is not the truth."""
    return is_answered(judged) and (judged.metal or "none") != judged.row.truth["metal"]
