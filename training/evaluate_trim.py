"""Score the shipped light and trim recipes on rendered photos that no fit has seen.

    python -m training.evaluate_trim --set DIR [--set DIR ...] [--cache DIR] [--out FILE]

Nothing is fitted here. The rows of single photos, wrong ones first, are written beside the figures.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from model.light import fuse_light
from model.light import load_recipe as load_light
from model.trim import load_recipe
from training.calibrate import describe_run, gather
from training.fit_light import white_error_deg
from training.fit_trim import Judged, judge_row
from training.photo_strips import load_photo
from training.trim_features_table import PhotoRow, row_of_trim
from training.trim_scores import is_wrong, score_light, score_naive, score_trim

RESULTS = Path(__file__).parent / "results" / "trim_exam.json"


def main() -> None:
    """Measure, judge, score, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", dest="sets", type=Path, action="append", required=True)
    parser.add_argument("--cache", type=Path, help="folder for measured rows")
    parser.add_argument("--out", type=Path, default=RESULTS)
    parser.add_argument("--workers", type=int, default=2)
    told = parser.parse_args()
    rows = [read_row(path) for path in gather(told.sets, told.cache, told.workers)]
    judged = [found for row in rows if (found := judge_row(row, load_recipe())) is not None]
    results = {
        "made": describe_run(rows),
        "light": score_light(rows),
        "trim": score_trim(judged),
        "naive rules": score_naive(rows),
        "photos": [describe_photo(j) for j in sorted(judged, key=lambda j: not is_wrong(j))],
    }
    told.out.parent.mkdir(parents=True, exist_ok=True)
    told.out.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    print(json.dumps({key: value for key, value in results.items() if key != "photos"}, indent=1))


def read_row(path: Path) -> PhotoRow:
    """The row of a measured photo under the light as shipped."""
    photo = load_photo(path)
    return row_of_trim(photo, fuse_light(photo.evidence, load_light()), extra=False)


def describe_photo(judged: Judged) -> dict[str, Any]:
    """One photo's answer beside its truth."""
    truth = judged.row.truth
    return {
        "file": judged.row.file,
        "wrong": is_wrong(judged),
        "verdict": judged.verdict,
        "metal": judged.metal,
        "chances": {name: round(value, 4) for name, value in judged.chances.items()},
        "remaining": judged.remaining_share,
        "true metal": truth["metal"],
        "true remaining": truth["remaining_share"],
        "light": truth["light"],
        "glaze": truth["glaze"],
        "table": truth["table"],
        "framing": truth["framing"],
        "white error deg": round(white_error_deg(judged.row.white, judged.row), 2),
        "stated deg": round(judged.row.uncertainty_deg, 2),
    }


if __name__ == "__main__":
    main()
