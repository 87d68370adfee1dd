"""What the fits of light and trim see of each photo: evidence of the light, what was measured, the truth."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from model.strip_labels import join_windows
from model.trim_features import measure_region
from model.trim_fusion import describe_photo
from model.trim_regions import find_regions
from model.wear import Wear, measure_wear
from model.witness import Answer, Heard
from model.witness_input import cut_windows, place_windows
from training.kept_photo import KeptPhoto
from training.photo_strips import MeasuredPhoto

DECIMALS = 4  # trees round their features to as many
KEPT_EVIDENCE = ("paper", "paper:looked for", "glaze", "highlights")


@dataclass(frozen=True)
class PhotoRow:
    """What the chain measured of one photo beside its truth.

    Attributes
    ----------
    regions
        Of each printed region its kind, its true label (None: not to be learnt from) and its features.
    measures
        Of the labelled cells and the circumstances, by name (`model.witness_features`).
    wear
        The fields of `model.wear.Wear` as plain lists; None where no role is metal.
    fold
        Of the network that labelled it and never saw it.
    """

    file: str
    truth: dict[str, Any]
    evidence: dict[str, list[Any]] = field(default_factory=dict)
    recast: list[dict[str, list[float]]] = field(default_factory=list)
    white: list[float] = field(default_factory=list)
    uncertainty_deg: float = 0.0
    regions: list[dict[str, Any]] = field(default_factory=list)
    measures: dict[str, float] = field(default_factory=dict)
    wear: dict[str, Any] | None = None
    fold: int = -1

    def seen_wear(self) -> Wear | None:
        """The counted cells as the model gives them."""
        if self.wear is None:
            return None
        strength = self.wear["repeat_strength"]
        sums = {name: np.array(v) for name, v in self.wear.items() if name != "repeat_strength"}
        return Wear(**sums, repeat_strength=strength)


def row_of_light(photo: MeasuredPhoto) -> PhotoRow:
    """The row as the light fit needs it: evidence only."""
    evidence = {kind: colour.tolist() for kind, colour in photo.evidence.items()}
    return PhotoRow(photo.file, asdict(photo.truth), evidence, photo.recast)


def row_of_trim(photo: KeptPhoto, answer: Answer, fold: int = -1) -> PhotoRow:
    """The row as the trim fits need it: what the product would measure if the network answered so."""
    heard = hear_answer(photo, answer)
    regions = [
        {
            "kind": region.kind,
            "label": photo.truth.label_of(region.kind),
            "features": _rounded(measure_region(photo.strip, photo.found, photo.light, photo.around, region)),
        }
        for region in find_regions(photo.strip, heard.labels)
    ]
    wear = measure_wear(photo.strip, heard.labels)
    evidence = {
        k: np.asarray(v).round(DECIMALS).tolist() for k, v in photo.evidence.items() if k in KEPT_EVIDENCE
    }
    return PhotoRow(
        file=photo.name,
        truth=asdict(photo.truth)
        | {"difficulty": photo.facts.get("difficulty"), "trim": photo.facts.get("trim")},
        evidence=evidence,
        white=list(photo.light.white_rgb),
        uncertainty_deg=photo.light.uncertainty_deg,
        regions=regions,
        measures=_rounded(heard.measures() | describe_photo(photo.strip, photo.light)) or {},
        wear=None if wear is None else _listed(wear),
        fold=fold,
    )


def hear_answer(photo: KeptPhoto, answer: Answer) -> Heard:
    """What the product would have heard had its network answered so."""
    places = place_windows(photo.strip)
    windows = cut_windows(photo.strip, photo.found.glaze_linear_rgb, places)
    remaining, worn = (float(v) for v in 1 / (1 + np.exp(-answer.whole.astype(np.float64))))
    labels = join_windows(places, windows, answer.cells, answer.verdict, (remaining, worn))
    return Heard(
        windows, answer, np.log(np.array(photo.light.white_rgb)[[0, 2]] / photo.light.white_rgb[1]), labels
    )


def _rounded(features: dict[str, float] | None) -> dict[str, float] | None:
    return None if features is None else {name: round(float(v), DECIMALS) for name, v in features.items()}


def _listed(wear: Wear) -> dict[str, Any]:
    sums = {name: v.round(1).tolist() for name, v in vars(wear).items() if isinstance(v, np.ndarray)}
    return sums | {"repeat_strength": round(wear.repeat_strength, DECIMALS)}
