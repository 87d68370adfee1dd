"""Fit the trim: ``python -m training.calibrate_fusion ROWS.xz...``.

ROWS are what `training.witness_rows` measured: every photo as a network labelled it that never saw it. Fitted
are the regions' trees, the photo's, wear and thresholds, all judged on photos, scenes and motifs that the fit
did not see. Writes `model/weights/trim.json` and `training/results/trim_fit.json`.
"""

from __future__ import annotations

import argparse
import json
import lzma
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from sklearn.model_selection import GroupKFold

from model.trim_fusion import JudgedRegion, photo_features
from model.trim_recipe import FORMAT, RECIPE
from model.worn import WearJudgement
from training.calibrate import describe_run, folds
from training.choose_answers import bound_wrong, choose_thresholds
from training.fit_fusion import PARTS, PhotoSample, fit_fusion, fit_trust, keep_part
from training.fit_trim import fit_regions, judge_rows
from training.fit_wear import fit_wear, sample_wear
from training.judged_photo import Judged, decide, is_answered, is_wrong
from training.trim_features_table import PhotoRow
from training.trim_scores import score_naive, score_trim

RESULTS = Path(__file__).parent / "results" / "trim_fit.json"
FEW = ("by light", "by glaze", "by paper", "by difficulty", "wear")  # what a rival's table leaves out
SEED = 13  # of the folds that thresholds are tried by


def main() -> None:
    """Read, fit, report, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("rows", type=Path, nargs="+")
    parser.add_argument("--recipe", type=Path, default=RECIPE)
    parser.add_argument("--out", type=Path, default=RESULTS)
    told = parser.parse_args()
    rows = [row for path in told.rows for row in read_rows(path)]
    recipe, results = calibrate(rows)
    told.recipe.write_text(json.dumps(recipe, separators=(",", ":")) + "\n", encoding="utf-8")
    told.out.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(results, indent=1))


def read_rows(path: Path) -> list[PhotoRow]:
    """Rows of one file; those that no network labelled are left out."""
    lines = lzma.decompress(path.read_bytes()).decode().splitlines()
    return [row for line in lines if (row := PhotoRow(**json.loads(line))).measures]


def calibrate(rows: list[PhotoRow]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The recipe and the report."""
    recipe: dict[str, Any] = {"format": FORMAT} | fit_regions(rows)
    samples = gather_samples(rows)
    recipe["photo"], chances = fit_fusion(samples)
    recipe["photo"]["trust"], trust = fit_trust(samples, chances)
    recipe["wear"], wears = judge_wears(samples)
    judged = join(samples, chances, wears, trust)
    recipe["thresholds"] = choose_thresholds(judged)
    recipe["fitted_on"] = describe_run(rows)
    return recipe, report(samples, judged, recipe)


def gather_samples(rows: list[PhotoRow]) -> list[PhotoSample]:
    """Every photo as the fusion sees it, its regions judged by trees that never saw its scene or motif."""
    samples: list[PhotoSample] = []
    for fit_on, hold in folds(rows):
        judged = judge_rows(hold, fit_regions(fit_on))
        samples += [sample_of(row, regions) for row, regions in zip(hold, judged, strict=True)]
    return samples


def sample_of(row: PhotoRow, regions: Sequence[JudgedRegion]) -> PhotoSample:
    """A photo with its judged regions."""
    features = photo_features(regions, row.measures)
    return PhotoSample(features, row.truth["metal"], row.truth["group"], row)


def judge_wears(samples: list[PhotoSample]) -> tuple[dict[str, Any], list[WearJudgement | None]]:
    """The recipe's part, and each photo's wear by folds; None where no role is metal."""
    found = [sample_wear(sample.row, sample.features) for sample in samples]
    recipe, judged = fit_wear([one for one in found if one is not None])
    rest = iter(judged)
    return recipe, [None if one is None else next(rest) for one in found]


def join(
    samples: list[PhotoSample],
    chances: list[dict[str, float]],
    wears: Sequence[WearJudgement | None],
    trust: Sequence[float],
) -> list[Judged]:
    """Photos with what is said of them, no verdict yet."""
    return [Judged(s.row, c, w, t) for s, c, w, t in zip(samples, chances, wears, trust, strict=True)]


def report(samples: list[PhotoSample], judged: list[Judged], recipe: dict[str, Any]) -> dict[str, Any]:
    """Scores on all photos by folds, and on those that the shipped network labelled and never saw."""
    ways = {"regions and network": [decide(j, recipe["thresholds"]) for j in judged]}
    ways["thresholds chosen without the photo"] = decide_apart(judged)
    for part in PARTS:
        partial = keep_part(samples, part)
        _, chances = fit_fusion(partial)
        _, trust = fit_trust(partial, chances)
        half = [replace(j, chances=c, trust=t) for j, c, t in zip(judged, chances, trust, strict=True)]
        thresholds = choose_thresholds(half)
        ways[f"{part} alone"] = [decide(j, thresholds) for j in half]
    out: dict[str, Any] = {"made": recipe["fitted_on"], "thresholds": recipe["thresholds"]}
    shipped = [sample.final for sample in samples]
    for name, kept in (("all photos", [True] * len(samples)), ("the shipped network", shipped)):
        if any(kept):
            out[name] = {way: summarise(told, kept, way) for way, told in ways.items()}
    out["naive rules"] = score_naive([sample.row for sample in samples])
    return out


def decide_apart(judged: list[Judged]) -> list[Judged]:
    """Verdicts by thresholds that were chosen on other scenes and motifs."""
    decided = list(judged)
    groups = [j.row.truth["group"] for j in judged]
    for others, hold in GroupKFold(5, shuffle=True, random_state=SEED).split(judged, groups=groups):
        thresholds = choose_thresholds([judged[i] for i in others])
        for i in hold:
            decided[i] = decide(judged[i], thresholds)
    return decided


def summarise(judged: list[Judged], kept: list[bool], way: str) -> dict[str, Any]:
    """The scores of `training.trim_scores` with the one-sided bound; in few numbers but for the first way."""
    chosen = [one for one, keep in zip(judged, kept, strict=True) if keep]
    answered = [j for j in chosen if is_answered(j)]
    named = [j for j in chosen if j.metal is not None]
    wrong = sum(is_wrong(j) for j in named)
    scores = score_trim(chosen) | {
        "all answered": [len(answered), len(chosen)],
        "metal named": [len(named), len(chosen)],
        "metal named wrongly": wrong,
        "one-sided 95 % bound": round(bound_wrong(wrong, len(named)), 4),
    }
    return scores if way == "regions and network" else {k: v for k, v in scores.items() if k not in FEW}


if __name__ == "__main__":
    main()
