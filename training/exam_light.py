"""Score the white point of readings: errors, stated doubt, and plain rules on the same photos."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from model.colour import angle_deg
from training.exam_readings import PhotoReading
from training.exam_tables import describe_errors
from training.intervals import describe_share
from training.trim_truth import main_light

PLAIN_RULES = {"grey world": "scene_mean", "greyest pixels": "greyest"}


def score_light(readings: Sequence[PhotoReading]) -> dict[str, Any]:
    """Tables for all photos, with and without paper, and medians by light and by glaze."""
    read = [r for r in readings if r.reading and r.reading["light"]]
    with_paper = [r for r in read if r.truth.get("paper") and r.paper_white is not None]
    without = [r for r in read if not r.truth.get("paper")]
    return {
        "white point given": describe_share([bool(r.reading and r.reading["light"]) for r in readings]),
        "all": describe_group(read),
        "paper seen in the frame": describe_group(with_paper),
        "no paper": describe_group(without),
        "by light": _by(read, light_of),
        "by glaze": _by(read, lambda r: str(r.truth["glaze"])),
    }


def light_of(reading: PhotoReading) -> str:
    """Name of the main light, ``mixed`` where none gives three fifths."""
    return main_light(reading.truth["lights"])


def white_error_deg(reading: PhotoReading) -> float:
    """Angle between the white point read and the true one."""
    assert reading.reading is not None
    return _error(reading.reading["light"]["white_rgb"], reading)


def _error(white: Any, reading: PhotoReading) -> float:
    return float(angle_deg(np.array(white, float), np.array(reading.truth["white_rgb"], float)))


def rule_white(reading: PhotoReading, rule: str) -> list[float] | None:
    """White by a plain rule; None where it could not be taken."""
    names = [f"{PLAIN_RULES[rule]}_{channel}" for channel in ("rg", "bg")]
    if any(name not in reading.statistics for name in names):
        return None
    red, blue = (reading.statistics[name] for name in names)
    return [float(np.exp(red)), 1.0, float(np.exp(blue))] if np.isfinite(red + blue) else None


def describe_group(group: Sequence[PhotoReading]) -> dict[str, Any]:
    """Errors of the reading, of plain rules and, where paper is seen, of its own pixels."""
    errors = [white_error_deg(r) for r in group]
    stated = [r.reading["light"]["uncertainty_deg"] for r in group if r.reading]
    out: dict[str, Any] = {
        "read": describe_errors(errors),
        "stated doubt covers the error": describe_share(np.array(errors) <= np.array(stated)),
        "camera's balance trusted": describe_errors([_error([1, 1, 1], r) for r in group]),
    }
    for rule in PLAIN_RULES:
        whites = [(rule_white(r, rule), r) for r in group]
        out[rule] = describe_errors([_error(white, r) for white, r in whites if white is not None])
    sheets = [r for r in group if r.paper_white is not None]
    if len(sheets) == len(group):
        out["oracle: the paper's own pixels"] = describe_errors([_error(r.paper_white, r) for r in sheets])
    if group:
        medians = [out[rule]["median"] for rule in PLAIN_RULES if out[rule]["n"]]
        best = min(medians) if medians else float("nan")
        out["median below the better plain rule by"] = round(1 - out["read"]["median"] / best, 3)
    return out


def _by(group: Sequence[PhotoReading], key: Callable[[PhotoReading], str]) -> dict[str, Any]:
    names = sorted({key(r) for r in group})
    return {name: describe_errors([white_error_deg(r) for r in group if key(r) == name]) for name in names}
