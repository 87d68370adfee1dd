"""What a retake is worth: ``python -m training.evaluate_retakes PHOTOS FOLDER --out FILE``.

PHOTOS is the trim exam's row file, FOLDER the scenes of its "cannot tell" rendered again with the named
step applied (``training.render.retakes``).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from training.exam_readings import PhotoReading, add_options, read_told
from training.exam_tables import describe_run, write_result
from training.exam_trim import named
from training.intervals import describe_share
from training.json_lines import read_rows

RESULTS = Path(__file__).parent / "results" / "retakes.json"


def summarise(readings: Sequence[PhotoReading], unsure: int) -> dict[str, Any]:
    """Share of the retaken photos that are answered rightly, wrongly, or still not; by step."""
    steps = sorted({str(r.truth.get("step")) for r in readings})
    return {
        "cannot tell before": unsure,
        "retaken": len(readings),
        **describe_answers(readings),
        "by step": {
            step: describe_answers([r for r in readings if r.truth.get("step") == step]) for step in steps
        },
    }


def describe_answers(readings: Sequence[PhotoReading]) -> dict[str, Any]:
    """Right, wrong and still not told among photos that could not be told before."""
    answers = [(named(r), r.truth["metal"]) for r in readings]
    return {
        "now right": describe_share([name == truth for name, truth in answers]),
        "now wrong": describe_share([name is not None and name != truth for name, truth in answers]),
        "still not told": describe_share([name is None for name, _ in answers]),
    }


def main() -> None:
    """Read the retaken photos, compare, write."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("photos", type=Path, help="NAME.photos.jsonl.gz of the trim exam")
    add_options(parser)
    parser.add_argument("--out", type=Path, default=RESULTS)
    told = parser.parse_args()
    before = read_rows(told.photos)
    readings = read_told(told)
    unsure = sum(photo["verdict"] == "cannot tell" for photo in before)
    result = describe_run(told.folder, len(readings)) | summarise(readings, unsure)
    photos = [{"photo": r.name, "step": r.truth.get("step"), "named": named(r)} for r in readings]
    write_result(told.out, result, photos)
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
