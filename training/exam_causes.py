"""Why a photo's metal was named wrongly, or not at all: one cause a photo, the first that holds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from training.exam_light import white_error_deg
from training.exam_readings import PhotoReading
from training.exam_trim import METALS, is_metal, named, trim_of

# Half the least angle between gold and platinum: a white point so far off turns one into the other.
FAR_LIGHT_DEG = 8.4
CLIPPED_SHARE = 0.25
THIN_PX, THIN_TO_BLUR = 1.8, 1.6
WORN_SHARE = 0.5
PALE_GLAZES = ("white", "ivory", "cream")


def name_cause(reading: PhotoReading) -> str:
    """The first cause of the list that holds for the photo."""
    if reading.reading is None or trim_of(reading)["probabilities"] is None:
        return "no rim isolated"
    regions = [region for region in reading.regions if region["features"]]
    if not regions:
        return "no print found"
    features = max(regions, key=lambda region: float(region["metal_log_odds"]))["features"]
    truth = reading.truth
    checks = {
        "light judged wrongly": reading.reading["light"] is not None
        and white_error_deg(reading) > FAR_LIGHT_DEG,
        "clipped": features.get("clipped_share", 0.0) > CLIPPED_SHARE,
        "thin or blurred print": features.get("depth_px", THIN_PX) < THIN_PX
        or features.get("depth_to_blur", THIN_TO_BLUR) < THIN_TO_BLUR,
        "little metal left": is_metal(reading) and (truth["remaining_share"] or 0.0) < WORN_SHARE,
        "tinted glaze": truth["glaze"] not in PALE_GLAZES,
        "line or stray print judged, not the border": truth["trim"] == "border"
        and max(regions, key=lambda region: float(region["metal_log_odds"]))["kind"] != "border",
    }
    return next((cause for cause, holds in checks.items() if holds), "what is mirrored")


def count_causes(readings: Sequence[PhotoReading]) -> dict[str, Any]:
    """Causes of wrong answers, of none given, and of a wrong likeliest metal, over the metal pieces."""
    metal = [r for r in readings if is_metal(r)]
    groups = {
        "named wrongly": [r for r in metal if named(r) not in (None, r.truth["metal"])],
        "metal named on none": [r for r in readings if not is_metal(r) and named(r) in METALS],
        "not told": [r for r in metal if named(r) is None],
        "likeliest metal wrong": [r for r in metal if _likeliest(r) not in (None, r.truth["metal"])],
    }
    return {
        name: {"n": len(group), **dict(Counter(name_cause(r) for r in group).most_common())}
        for name, group in groups.items()
    }


def _likeliest(reading: PhotoReading) -> str | None:
    chances = trim_of(reading)["probabilities"]
    return None if chances is None else max(METALS, key=lambda name: float(chances[name]))
