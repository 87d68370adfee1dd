"""Fit the light and trim recipes on rendered photos, and score them on scenes and motifs held out.

    python -m training.calibrate --set DIR [--set DIR ...] [--cache DIR]

Writes `model/weights/light.json`, `model/weights/trim.json` and `training/results/trim_fit.json`. The trim
is fitted under lights that were fitted without the photo. Empty the cache after a change of the chain.
"""

from __future__ import annotations

import argparse
import json
import platform
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.model_selection import GroupKFold

from model import light as light_module
from model import trim as trim_module
from model.facts import Light
from model.light import fuse_light
from model.trees import probability
from training.fit_light import evidence_of, fit_light
from training.fit_trim import Judged, calibrate_pool, fit_trim, judge_row, read_recipe
from training.photo_strips import load_photo, measure_photos
from training.trim_features_table import PhotoRow, row_of_light, row_of_trim
from training.trim_scores import is_answered, is_wrong, score_light, score_naive, score_trim
from training.trim_strip_rows import build_strip_rows

SEED = 7
FOLDS = 5
MOST_WRONG = 0.01  # of the answers that name a metal or its absence
MOST_WRONG_WORN = 0.05  # of the answers "worn lustre"
RESULTS = Path(__file__).parent / "results" / "trim_fit.json"


def main() -> None:
    """Measure, fit, score held-out folds, write recipes and results."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", dest="sets", type=Path, action="append", required=True)
    parser.add_argument("--cache", type=Path, help="folder for measured photos")
    parser.add_argument("--strips", type=int, default=1500, help="quick strips that support the trim fit")
    parser.add_argument("--workers", type=int, default=2)
    told = parser.parse_args()
    photos = gather(told.sets, told.cache, told.workers)
    light_scores, lights = calibrate_light([row_of_light(load_photo(path)) for path in photos])
    rows = [row_of_trim(load_photo(path), lit, True) for path, lit in zip(photos, lights, strict=True)]
    kept = None if told.cache is None else told.cache / "strips.jsonl"
    strips = build_strip_rows(told.strips, kept, told.workers)
    results = {"made": describe_run(rows), "light": light_scores} | calibrate_trim(rows, strips)
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(results, indent=1))


def gather(folders: list[Path], cache: Path | None, workers: int) -> list[Path]:
    """Cache files of several folders' photos, measured where needed."""
    found = []
    for folder in folders:
        found += measure_photos(folder, None if cache is None else cache / folder.name, workers)
    return found


def calibrate_light(rows: list[PhotoRow]) -> tuple[dict[str, Any], list[Light]]:
    """Fit the light on all rows and write it.

    Returns
    -------
    scores, lights
        Both by folds that leave scenes and motifs out: what a photo's light looks like to a fit that never
        saw it, in the order of the rows. The trim is fitted on those.
    """
    start = json.loads(light_module.RECIPE.read_text(encoding="utf-8"))
    lights: dict[str, Light] = {}
    for fit_on, hold in folds(rows):
        recipe = fit_light(fit_on, start)
        lights |= {row.file: fuse_light(evidence_of(row), recipe) for row in hold}
    recipe = fit_light(rows, start) | {"fitted_on": describe_run(rows)}
    light_module.RECIPE.write_text(json.dumps(recipe, separators=(",", ":")) + "\n", encoding="utf-8")
    held_out = [with_light(row, lights[row.file]) for row in rows]
    return score_light(held_out), [lights[row.file] for row in rows]


def with_light(row: PhotoRow, light: Light) -> PhotoRow:
    """The row with its light."""
    return replace(row, white=list(light.white_rgb), uncertainty_deg=light.uncertainty_deg)


def calibrate_trim(rows: list[PhotoRow], strips: list[PhotoRow]) -> dict[str, Any]:
    """Fit the trim on all rows and write it; calibrate and choose thresholds on photos each fit never saw.

    ``strips`` support every fit and are never scored.
    """
    rows = [row for row in rows if row.views]
    held_out: list[Judged] = []
    for fit_on, hold in folds(rows):
        recipe = read_recipe(fit_trim(fit_on + strips))
        held_out += [judged for row in hold if (judged := judge_row(row, recipe)) is not None]
    final = fit_trim(rows + strips)
    calibrate_pool(final, held_out)
    held_out = [rescale(judged, final) for judged in held_out]
    final["numbers"]["thresholds"] = choose_thresholds(held_out, final["numbers"]["thresholds"])
    held_out = [rescale(judged, final, again=False) for judged in held_out]
    final["fitted_on"] = describe_run(rows)
    text = json.dumps(final, separators=(",", ":"))
    trim_module.RECIPE.write_text(text + "\n", encoding="utf-8")
    return {
        "trim held out": score_trim(held_out),
        "naive rules": score_naive(rows),
        "thresholds": final["numbers"]["thresholds"],
        "pool": final["numbers"]["pool"],
    }


def rescale(judged: Judged, recipe: dict[str, Any], again: bool = True) -> Judged:
    """Apply the pool's scaling to held-out chances (once), and the verdict rule."""
    chances = dict(judged.chances)
    pool = recipe["numbers"]["pool"]
    if again and not judged.plain:
        metal = _scaled(1 - chances["no metal"], pool["metal_scale"], pool["metal_shift"])
        both = chances["gold"] + chances["platinum"] + 1e-12
        gold = _scaled(chances["gold"] / both, pool["gold_scale"], pool["gold_shift"])
        chances = {"gold": metal * gold, "platinum": metal * (1 - gold), "no metal": 1 - metal}
    verdict, name = trim_module.choose_verdict(chances, judged.worn_chance, recipe["numbers"]["thresholds"])
    return Judged(**{**judged.__dict__, "chances": chances, "verdict": verdict, "metal": name})


def _scaled(chance: float, scale: float, shift: float) -> float:
    chance = float(np.clip(chance, 1e-6, 1 - 1e-6))
    return probability(scale * np.log(chance / (1 - chance)) + shift)


def choose_thresholds(held_out: list[Judged], start: dict[str, float]) -> dict[str, float]:
    """The lowest certainty at which at most one answered in a hundred is wrong, for each answer."""
    chosen = dict(start)
    known = [j for j in held_out if j.worn_chance is not None]
    chosen["worn"] = lowest_certainty(
        np.array([j.worn_chance for j in known]),
        np.array([bool(j.row.truth["worn"]) for j in known]),
        MOST_WRONG_WORN,
    )
    chosen["worn_metal"] = lowest_certainty(
        np.array([1 - j.chances["no metal"] for j in held_out if (j.worn_chance or 0) > chosen["worn"]]),
        np.array([j.row.truth["metal"] != "none" for j in held_out if (j.worn_chance or 0) > chosen["worn"]]),
    )
    for answer, name in (("gold", "gold"), ("platinum", "platinum"), ("no metal", "no_metal")):
        chosen[name] = lowest_certainty(
            np.array([j.chances[answer] for j in held_out]),
            np.array(
                [j.row.truth["metal"] == (answer if answer != "no metal" else "none") for j in held_out]
            ),
        )
    return chosen


def lowest_certainty(chance: np.ndarray, right: np.ndarray, most_wrong: float = MOST_WRONG) -> float:
    """Least threshold from which on the share of wrong answers stays within the limit; at least .5."""
    if len(chance) == 0:
        return 0.999
    order = np.argsort(-chance)
    wrong = np.cumsum(~right[order]) / np.arange(1, len(order) + 1)
    good = np.flatnonzero((wrong <= most_wrong) & (chance[order] >= 0.5))
    if len(good) == 0:
        return 0.999
    return round(float(min(max(chance[order][good[-1]], 0.5), 0.999)), 4)


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
        "with strip": sum(bool(row.views) for row in rows),
        "groups": len({row.truth["group"] for row in rows}),
        "seed": SEED,
        "commit": git.stdout.strip(),
        "machine": f"{platform.system()} {platform.machine()}, python {platform.python_version()}",
        "kind": "rendered",
    }


__all__ = ["calibrate_light", "calibrate_trim", "is_answered", "is_wrong", "main"]

if __name__ == "__main__":
    main()
