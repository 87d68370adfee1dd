"""Fit the light's recipe on rendered photos, and score it on scenes and motifs held out.

    python -m training.calibrate --set DIR [--set DIR ...] [--cache DIR]

Writes `model/weights/light.json` and `training/results/light_fit.json`; the trim is fitted by
`training.calibrate_fusion`. Empty the cache after a change of the chain.
"""

from __future__ import annotations

import argparse
import json
import platform
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

from sklearn.model_selection import GroupKFold

from model import light as light_module
from model.facts import Light
from model.light import fuse_light
from training.fit_light import evidence_of, fit_light
from training.photo_strips import load_photo, measure_photos
from training.trim_features_table import PhotoRow, row_of_light
from training.trim_scores import score_light

SEED = 7
FOLDS = 5
RESULTS = Path(__file__).parent / "results" / "light_fit.json"


def main() -> None:
    """Measure, fit, score held-out folds, write recipe and results."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", dest="sets", type=Path, action="append", required=True)
    parser.add_argument("--cache", type=Path, help="folder for measured photos")
    parser.add_argument("--workers", type=int, default=2)
    told = parser.parse_args()
    photos = gather(told.sets, told.cache, told.workers)
    rows = [row_of_light(load_photo(path)) for path in photos]
    results = {"made": describe_run(rows), "light": calibrate_light(rows)}
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(results, indent=1))


def gather(folders: list[Path], cache: Path | None, workers: int) -> list[Path]:
    """Cache files of several folders' photos, measured where needed."""
    found = []
    for folder in folders:
        found += measure_photos(folder, None if cache is None else cache / folder.name, workers)
    return found


def calibrate_light(rows: list[PhotoRow]) -> dict[str, Any]:
    """Fit the light on all rows and write it; its scores by folds that leave scenes and motifs out."""
    start = json.loads(light_module.RECIPE.read_text(encoding="utf-8"))
    lights: dict[str, Light] = {}
    for fit_on, hold in folds(rows):
        recipe = fit_light(fit_on, start)
        lights |= {row.file: fuse_light(evidence_of(row), recipe) for row in hold}
    recipe = fit_light(rows, start) | {"fitted_on": describe_run(rows)}
    light_module.RECIPE.write_text(json.dumps(recipe, separators=(",", ":")) + "\n", encoding="utf-8")
    return score_light([with_light(row, lights[row.file]) for row in rows])


def with_light(row: PhotoRow, light: Light) -> PhotoRow:
    """The row with its light."""
    return replace(row, white=list(light.white_rgb), uncertainty_deg=light.uncertainty_deg)


def folds(rows: list[PhotoRow]) -> list[tuple[list[PhotoRow], list[PhotoRow]]]:
    """Five splits in which no scene and no motif is on both sides."""
    groups = [row.truth["group"] for row in rows]
    split = GroupKFold(FOLDS, shuffle=True, random_state=SEED).split(rows, groups=groups)
    return [([rows[i] for i in fit], [rows[i] for i in hold]) for fit, hold in split]


def describe_run(rows: list[PhotoRow]) -> dict[str, Any]:
    """What a figure needs beside it."""
    git = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    return {
        "photos": len(rows),
        "groups": len({row.truth["group"] for row in rows}),
        "seed": SEED,
        "commit": git.stdout.strip(),
        "machine": f"{platform.system()} {platform.machine()}, python {platform.python_version()}",
        "kind": "rendered",
    }


if __name__ == "__main__":
    main()
