"""Fit the trim with the witness: ``python -m training.calibrate_fusion ROWS.xz... --measured FILE``.

``ROWS.xz`` are the regions' features from `training.pack_witness`, ``--measured`` what networks that never
saw each photo said of it (`training.witness_rows`). Photos kept to choose by (fold -1) are fitted by nothing:
they are reported. Writes `model/weights/trim.json` and `training/results/trim_fit.json`.
"""

from __future__ import annotations

import argparse
import json
import lzma
from pathlib import Path
from typing import Any

import numpy as np

from model import trim as trim_module
from training.calibrate import choose_thresholds, describe_run, folds, rescale
from training.fit_fusion import (
    PhotoSample,
    bound_wrong,
    controlled_threshold,
    fit_fusion,
    judge_fused,
    keep_part,
    sample_of,
)
from training.fit_trim import Judged, calibrate_pool, fit_trim, judge_row, read_recipe
from training.trim_features_table import PhotoRow
from training.trim_scores import is_answered, is_wrong, score_naive, score_trim

MOST_WRONG, MOST_BOUND = 0.01, 0.02
RESULTS = Path(__file__).parent / "results" / "trim_fit.json"
ANSWERS = (("gold", "gold"), ("platinum", "platinum"), ("no metal", "no_metal"))
Measures = dict[str, dict[str, float]]


def main() -> None:
    """Read, fit, report, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("rows", type=Path, nargs="+")
    parser.add_argument("--measured", type=Path, required=True)
    parser.add_argument("--strips", type=Path, help="quick strips' rows (JSON lines) that support the fit")
    parser.add_argument("--recipe", type=Path, default=trim_module.RECIPE)
    parser.add_argument("--out", type=Path, default=RESULTS)
    told = parser.parse_args()
    rows = [row for path in told.rows for row in read_rows(path)]
    measured = json.loads(lzma.decompress(told.measured.read_bytes()))
    measures = {entry["facts"]["name"]: entry["measures"] for entry in measured}
    aside = {entry["facts"]["name"] for entry in measured if entry["fold"] < 0}
    strips = (
        []
        if told.strips is None
        else [PhotoRow(**json.loads(line)) for line in told.strips.read_text(encoding="utf-8").splitlines()]
    )
    fit_on = [row for row in rows if name_of(row) not in aside]
    known = {row.truth["group"] for row in fit_on}
    choose = [row for row in rows if name_of(row) in aside and row.truth["group"] not in known]
    recipe, results = calibrate(fit_on, choose, strips, measures)
    told.recipe.write_text(json.dumps(recipe, separators=(",", ":")) + "\n", encoding="utf-8")
    told.out.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(results, indent=1))


def read_rows(path: Path) -> list[PhotoRow]:
    """Rows of one file, those without a strip left out."""
    rows = [PhotoRow(**json.loads(line)) for line in lzma.decompress(path.read_bytes()).decode().splitlines()]
    return [row for row in rows if row.views]


def name_of(row: PhotoRow) -> str:
    """The photo's name without its suffix."""
    return Path(row.file).stem


def calibrate(
    rows: list[PhotoRow], choose: list[PhotoRow], strips: list[PhotoRow], measures: Measures
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The recipe fitted to ``rows``, thresholds chosen on its folds, and the report on both parts."""
    samples: list[PhotoSample] = []
    bases: list[Judged] = []
    for fit_on, hold in folds(rows):
        part = read_recipe(fit_trim(fit_on + strips))
        for row in hold:
            samples.append(sample_of(row, part, measures.get(name_of(row), {})))
            base = judge_row(row, part)
            assert base is not None
            bases.append(base)
    final = fit_trim(rows + strips)
    calibrate_pool(final, bases)
    alone = [rescale(base, final) for base in bases]
    final["photo"], chances = fit_fusion(samples)
    fused = [judge_fused(*both) for both in zip(samples, alone, chances, strict=True)]
    final["numbers"]["thresholds"] = control_thresholds(fused, final["numbers"]["thresholds"])
    fused = [rescale(judged, final, again=False) for judged in fused]
    final["fitted_on"] = describe_run(rows)
    report = {
        "made": describe_run(rows + choose),
        "thresholds": final["numbers"]["thresholds"],
        "by folds": summarise(fused),
        "by folds, one half alone": ablate(samples, alone, final),
        "naive rules": score_naive(rows),
    }
    if choose:
        report |= report_on_choice(choose, final, measures)
    return final, report


def ablate(samples: list[PhotoSample], alone: list[Judged], final: dict[str, Any]) -> dict[str, Any]:
    """The same rows judged by the regions only and by the network's verdict only."""
    out = {"regions as before": summarise(_decided(alone, final))}
    for part in ("regions", "network"):
        _, chances = fit_fusion(keep_part(samples, part))
        judged = [judge_fused(*both) for both in zip(samples, alone, chances, strict=True)]
        out[part] = summarise(_decided(judged, final))
    return out


def _decided(judged: list[Judged], final: dict[str, Any]) -> list[Judged]:
    """Verdicts by thresholds of their own, chosen by the same rule."""
    numbers = final["numbers"] | {"thresholds": control_thresholds(judged, final["numbers"]["thresholds"])}
    return [rescale(one, final | {"numbers": numbers}, again=False) for one in judged]


def report_on_choice(choose: list[PhotoRow], final: dict[str, Any], measures: Measures) -> dict[str, Any]:
    """Photos that no fit saw, judged as the product will."""
    recipe = read_recipe(final)
    judged = []
    for row in choose:
        base = judge_row(row, recipe)
        assert base is not None and recipe.fusion is not None
        if name_of(row) in measures:
            sample = sample_of(row, recipe, measures[name_of(row)])
            base = judge_fused(sample, base, recipe.fusion.chances(sample.features))
        judged.append(rescale(base, final, again=False))
    return {"photos to choose by": summarise(judged)}


def control_thresholds(judged: list[Judged], start: dict[str, float]) -> dict[str, float]:
    """Thresholds of every answer; those of worn lustre as before."""
    chosen = choose_thresholds(judged, start)
    for answer, name in ANSWERS:
        truth = "none" if answer == "no metal" else answer
        chance = np.array([j.chances[answer] for j in judged])
        right = np.array([j.row.truth["metal"] == truth for j in judged])
        chosen[name] = controlled_threshold(chance, right, MOST_WRONG, MOST_BOUND)
    return chosen


def summarise(judged: list[Judged]) -> dict[str, Any]:
    """The scores of `training.trim_scores` with the one-sided bound beside them."""
    answered = [j for j in judged if is_answered(j)]
    wrong = sum(is_wrong(j) for j in answered)
    return score_trim(judged) | {
        "all answered": [len(answered), len(judged)],
        "all wrong": wrong,
        "one-sided 95 % bound": round(bound_wrong(wrong, len(answered)), 4),
    }


if __name__ == "__main__":
    main()
