"""Fit the trim with the witness: ``python -m training.calibrate_fusion ROWS.xz... --measured FILE``.

``ROWS.xz`` are the regions' features from `training.pack_witness`, ``--measured`` what networks that never
saw each photo said of it (`training.witness_rows`); photos set aside (fold -1) were seen by no network, so
that the shipped one's answers about them are known. Writes `model/weights/trim.json` and
`training/results/trim_fit.json`.
"""

from __future__ import annotations

import argparse
import json
import lzma
from pathlib import Path
from typing import Any

import numpy as np

from model import trim as trim_module
from model.trim import TrimRecipe
from training.calibrate import choose_thresholds, describe_run, folds, rescale
from training.fit_fusion import (
    PhotoSample,
    bound_wrong,
    choose_named,
    fit_fusion,
    judge_fused,
    keep_part,
    name_metal,
    odds_of,
    sample_of,
)
from training.fit_trim import Judged, calibrate_pool, fit_trim, judge_row, read_recipe
from training.trim_features_table import PhotoRow
from training.trim_scores import is_answered, is_wrong, score_naive, score_trim

RESULTS = Path(__file__).parent / "results" / "trim_fit.json"
DETAILS = ("by light", "by glaze", "by paper", "wear")
Measures = dict[str, dict[str, float]]
Odds = list[tuple[float, float]]


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
    fitted = {entry["facts"]["name"] for entry in measured} - aside
    strips = (
        []
        if told.strips is None
        else [PhotoRow(**json.loads(line)) for line in told.strips.read_text(encoding="utf-8").splitlines()]
    )
    fit_on = [row for row in rows if name_of(row) not in aside]
    others = [row for row in rows if name_of(row) in aside]
    print(f"{len(fit_on)} rows ({len(fitted)} with a network of their fold), {len(others)} set aside")
    recipe, results = calibrate(fit_on, others, strips, measures)
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
    rows: list[PhotoRow], others: list[PhotoRow], strips: list[PhotoRow], measures: Measures
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The recipe and the report: regions fitted to ``rows``, the fusion to both, photos judged by folds."""
    samples: list[PhotoSample] = []
    bases: list[Judged] = []
    for fit_on, hold in folds(rows):
        _judge_all(hold, read_recipe(fit_trim(fit_on + strips)), measures, False, samples, bases)
    final = fit_trim(rows + strips)
    calibrate_pool(final, bases)
    _judge_all(others, read_recipe(final), measures, True, samples, bases)
    return conclude(final, samples, bases)


def _judge_all(
    rows: list[PhotoRow],
    recipe: TrimRecipe,
    measures: Measures,
    final: bool,
    samples: list[PhotoSample],
    bases: list[Judged],
) -> None:
    for row in rows:
        base = judge_row(row, recipe)
        assert base is not None
        samples.append(sample_of(row, recipe, measures.get(name_of(row), {}), final))
        bases.append(base)


def conclude(
    final: dict[str, Any], samples: list[PhotoSample], bases: list[Judged]
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Fit the fusion, choose the thresholds, report: on all by folds, and on motifs no network saw."""
    alone = [rescale(base, final) for base in bases]
    final["photo"], chances = fit_fusion(samples)
    fused = [judge_fused(*both) for both in zip(alone, chances, strict=True)]
    odds = [odds_of(sample) for sample in samples]
    final["numbers"]["thresholds"] = control_thresholds(fused, odds, final["numbers"]["thresholds"])
    final["fitted_on"] = describe_run([sample.row for sample in samples])
    judged = {"regions and network": _decided(fused, odds, final)}
    judged["regions, pooled by rule"] = _decided(alone, odds, final)
    for part in ("regions", "network"):
        _, told = fit_fusion(keep_part(samples, part))
        half = [judge_fused(*both) for both in zip(alone, told, strict=True)]
        heard = odds if part == "regions" else [(0.0, 0.0)] * len(samples)
        judged[f"{part} alone"] = _decided(half, heard, final)
    shipped = [sample.final for sample in samples]
    seen = {sample.group for sample in samples if not sample.final}
    apart = [sample.final and sample.group not in seen for sample in samples]
    report: dict[str, Any] = {"made": final["fitted_on"], "thresholds": final["numbers"]["thresholds"]}
    for name, kept in (
        ("all photos", [True] * len(samples)),
        ("the shipped network", shipped),
        ("the shipped network, motifs it never saw", apart),
    ):
        report[name] = {way: summarise(_only(told, kept)) for way, told in judged.items()}
        for rival in list(judged)[1:]:  # rivals in few numbers
            report[name][rival] = {k: v for k, v in report[name][rival].items() if k not in DETAILS}
    report["naive rules"] = score_naive([sample.row for sample in samples])
    return final, report


def _only(judged: list[Judged], kept: list[bool]) -> list[Judged]:
    return [one for one, keep in zip(judged, kept, strict=True) if keep]


def _decided(judged: list[Judged], odds: Odds, final: dict[str, Any]) -> list[Judged]:
    """Verdicts by thresholds of their own, chosen by the same rule."""
    thresholds = control_thresholds(judged, odds, final["numbers"]["thresholds"])
    return [name_metal(*both, thresholds) for both in zip(judged, odds, strict=True)]


def control_thresholds(judged: list[Judged], odds: Odds, start: dict[str, float]) -> dict[str, float]:
    """Thresholds of the named metals; "no metal" and worn lustre as in `training.calibrate`."""
    chosen = choose_thresholds(judged, start) | {"gold": 0.5, "platinum": 0.5}
    metal = np.array([1 - j.chances["no metal"] for j in judged])
    gold = np.array([j.chances["gold"] for j in judged]) / np.maximum(metal, 1e-9)
    truth = np.array([str(j.row.truth["metal"]) for j in judged])
    return chosen | choose_named(metal, gold, np.array(odds), truth)


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
