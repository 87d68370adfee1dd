"""Score light, trim, wear and lines on rendered photos that no fit has seen.

    python -m training.evaluate_trim FOLDER [--out FILE] [--grey] [--sheet FILE]

Nothing is fitted here. One row a photo, wrong ones first, is written beside the figures. ``--grey`` reads
every photo of paint and as many of metal once more with all colour taken out.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2

from training.exam_causes import count_causes
from training.exam_curves import draw_curves
from training.exam_light import light_of, score_light, white_error_deg
from training.exam_readings import PhotoReading, add_options, read_folder, read_told
from training.exam_sheet import draw_photos
from training.exam_tables import describe_run, write_result
from training.exam_trim import (
    is_metal,
    named,
    score_calibration,
    score_identity,
    score_lines,
    score_paint,
    score_pairs,
    score_plain_rules,
    score_wear,
    trim_of,
)

RESULTS = Path(__file__).parent / "results" / "trim_exam.json"


def is_wrong(reading: PhotoReading) -> bool:
    """A metal, or its absence, is named and is not the truth."""
    return named(reading) not in (None, reading.truth["metal"])


def summarise(readings: Sequence[PhotoReading], grey: Sequence[PhotoReading]) -> dict[str, Any]:
    """All tables of light and trim."""
    return {
        "light": score_light(readings),
        "gold against platinum": score_identity(readings),
        "other surroundings": score_pairs(readings),
        "paint": score_paint(readings, grey),
        "calibration": score_calibration(readings),
        "wear": score_wear(readings),
        "lines": score_lines(readings),
        "plain rules": score_plain_rules(readings),
        "causes": count_causes(readings),
    }


def describe_photo(reading: PhotoReading) -> dict[str, Any]:
    """One photo's answer beside its truth."""
    trim, truth = trim_of(reading), reading.truth
    lit = bool(reading.reading and reading.reading["light"])
    return {
        "photo": reading.name,
        "wrong": is_wrong(reading),
        "verdict": trim["verdict"],
        "named": named(reading),
        "step": (trim.get("retake") or {}).get("step"),
        "chances": trim["probabilities"],
        "worn": trim["worn_probability"],
        "remaining": trim["remaining_share"],
        "true metal": truth["metal"],
        "true state": truth["state"],
        "true remaining": truth["remaining_share"],
        "trim": truth["trim"],
        "paint": truth.get("paint"),
        "light": light_of(reading),
        "glaze": truth["glaze"],
        "difficulty": truth.get("difficulty"),
        "role": truth.get("role"),
        "white error deg": white_error_deg(reading) if lit else None,
        "stated deg": reading.reading["light"]["uncertainty_deg"] if lit and reading.reading else None,
    }


def choose_for_grey(readings: Sequence[PhotoReading]) -> list[str]:
    """Every painted photo, and as many of metal, evenly taken."""
    paint = [r.name for r in readings if r.truth["trim"] == "paint"]
    metal = [r.name for r in readings if is_metal(r)]
    return paint + metal[:: max(1, len(metal) // max(1, len(paint)))]


def main() -> None:
    """Read, score, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add_options(parser)
    parser.add_argument("--out", type=Path, default=RESULTS)
    parser.add_argument("--grey", action="store_true", help="also judge metal against paint without colour")
    parser.add_argument("--sheet", type=Path, help="write a contact sheet of the wrong ones")
    parser.add_argument("--curves", type=Path, help="draw risk and reliability into this SVG")
    told = parser.parse_args()
    cv2.setNumThreads(1)
    readings, grey = read_told(told), []
    if told.grey:
        cache = told.folder / "readings" if told.cache is None else told.cache
        chosen = [told.folder / f"{name}.jpg" for name in choose_for_grey(readings)]
        grey = list(read_folder(chosen, cache, told.workers, True))
    result = describe_run(told.folder, len(readings)) | summarise(readings, grey)
    photos = sorted((describe_photo(r) for r in readings), key=lambda row: not row["wrong"])
    write_result(told.out, result, photos)
    print(json.dumps(result, indent=1))
    if told.curves is not None:
        draw_curves(result, told.curves)
    if told.sheet is not None:
        wrong = [r for r in readings if is_wrong(r)]
        texts = [f"{named(r)} not {r.truth['metal']} {light_of(r)} {r.truth['glaze']}" for r in wrong]
        draw_photos([told.folder / f"{r.name}.jpg" for r in wrong], texts, told.sheet)


if __name__ == "__main__":
    main()
