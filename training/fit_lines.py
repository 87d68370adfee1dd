"""Fit whether edge and verge lines are there: ``python -m training.fit_lines --set DIR [--cache FILE]``.

Places are proposed on the strips of rendered pictures as reading does it; the truth is where the lines were
laid. Strips whose lip was found wrongly are left out: their rows mean nothing. Writes
``model/weights/lines.json`` with held-out figures, split by picture.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from sklearn.model_selection import GroupKFold

from model.bands import log_departure, separate_bands
from model.line_judgement import PLACES, RECIPE, propose_lines
from model.photo import decode_photo
from model.piece import find_piece
from model.rim_band import unroll_rim
from model.straighten import straighten_strip
from model.strip_grid import lay_grid
from model.trees import Trees, probability
from training.fit_trees import Sample, Shape, fit_classifier
from training.intervals import describe_share
from training.rim_truth import RimTruth, build_truth, locate_in_strip

Array = npt.NDArray[np.float64]

SHAPE = Shape(leaves=6, iterations=120, rate=0.06, least_in_leaf=12)
FOLDS = 8
SLACK_SHARE = 0.35  # hundredths of the diameter that a line's rows may be off
LARGEST_LIP_ERROR = 1.5  # hundredths of the diameter
LEVELS = np.linspace(0.15, 0.85, 29)


@dataclass(frozen=True)
class Row:
    """One proposed place: picture, ``place``, its facts, whether the line is there, or anywhere at all."""

    picture: str
    place: str
    facts: dict[str, float]
    right: bool
    present: bool


def describe_picture(truth_file: Path) -> list[Row]:
    """The proposals of one picture with their truth."""
    truth = build_truth(truth_file)
    if truth is None or truth.label["plan"]["framing"] == "close-up":
        return []
    photo = decode_photo(truth_file.with_suffix(".jpg").read_bytes())
    piece = find_piece(photo)
    strip = unroll_rim(photo, piece)
    grid = None if strip is None or piece.rim is None else lay_grid(photo, piece.rim, piece.outline)
    if strip is None or grid is None:
        return []
    level = straighten_strip(strip)
    departure = log_departure(level)
    if departure is None:
        return []
    unit = level.px_per_diameter / 100
    if not abs(_row_of(truth, 0.0, grid.where, grid.closed) - grid.lip_row) < LARGEST_LIP_ERROR * unit:
        return []
    border = separate_bands(level).border
    rows = []
    rows_of = None if border is None else (border.row0, border.row1)
    places = propose_lines(*departure, level.lip_row, level.px_per_diameter, level.blur_px, rows_of)
    for place in PLACES:
        true_mm = truth.lines.get(place)
        true_rows = true_mm and [_row_of(truth, mm, grid.where, grid.closed) for mm in true_mm]
        for one in places[place]:
            right = true_rows is not None and (place == "edge" or _meets(one.row0, one.row1, true_rows, unit))
            rows.append(Row(truth_file.stem, place, one.facts, bool(right), true_mm is not None))
    return rows


def _row_of(truth: RimTruth, depth_mm: float, where: Array, closed: bool) -> float:
    points, facing = truth.ring(depth_mm, 24)
    at = locate_in_strip(where, points, closed)
    good = (facing > 0.25) & np.isfinite(at[:, 0])
    return float(np.median(at[good, 0])) if good.sum() > 3 else float("nan")


def _meets(row0: int, row1: int, true_rows: list[float], unit: float) -> bool:
    slack = SLACK_SHARE * unit
    both = min(row1, true_rows[1] + slack) - max(row0, true_rows[0] - slack)
    return bool(both >= 0.5 * min(row1 - row0, true_rows[1] - true_rows[0] + 2 * slack))


def fit_place(rows: list[Row]) -> dict[str, Any]:
    """Recipe part of one place: trees, level, held-out figures."""
    names = sorted({name for row in rows for name in row.facts})
    samples = [Sample(row.facts, float(row.right), row.picture) for row in rows]
    groups = np.array([row.picture for row in rows])
    held_out = np.zeros(len(rows))
    for fit_on, hold in GroupKFold(FOLDS, shuffle=True, random_state=3).split(groups, groups=groups):
        trees = Trees.from_recipe(fit_classifier([samples[i] for i in fit_on], names, (), (), SHAPE))
        held_out[hold] = [probability(trees.score(rows[i].facts)) for i in hold]
    level, figures = _choose_level(rows, groups, held_out)
    recipe = fit_classifier(samples, names, (), (), SHAPE)
    return recipe | {"least_chance": round(level, 3), "rendered": figures}


def _choose_level(rows: list[Row], groups: npt.NDArray[Any], chance: Array) -> tuple[float, dict[str, Any]]:
    """The level of best balance, and found (in its place) and not claimed shares at it."""
    pictures = np.unique(groups)
    best = [max(np.flatnonzero(groups == picture), key=lambda i: chance[i]) for picture in pictures]
    present = np.array([rows[i].present for i in best])
    right = np.array([rows[i].right for i in best])
    top = chance[best]
    balance = [((top >= level) & right)[present].mean() + (top < level)[~present].mean() for level in LEVELS]
    level = float(LEVELS[int(np.argmax(balance))])
    figures = {
        "pictures": len(pictures),
        "found_in_its_place": describe_share(((top >= level) & right)[present]),
        "not_claimed_where_none_is": describe_share((top < level)[~present]),
        "balanced": round(float(max(balance)) / 2, 4),
    }
    return level, figures


def main() -> None:
    """Describe the pictures, fit, write the recipe and print the held-out figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", type=Path, action="append", default=[], dest="sets")
    parser.add_argument("--cache", type=Path, help="rows are read from here, and new ones added")
    told = parser.parse_args()
    cv2.setNumThreads(1)
    rows: list[Row] = []
    if told.cache is not None and told.cache.exists():
        rows = [Row(**json.loads(line)) for line in told.cache.read_text(encoding="utf-8").splitlines()]
    for folder in told.sets:
        for truth_file in sorted(folder.glob("*.json")):
            rows += describe_picture(truth_file)
    if told.cache is not None:
        told.cache.write_text("".join(json.dumps(asdict(row)) + "\n" for row in rows), encoding="utf-8")
    recipe = {place: fit_place([row for row in rows if row.place == place]) for place in PLACES}
    RECIPE.write_text(json.dumps(recipe), encoding="utf-8")
    print(json.dumps({place: recipe[place]["rendered"] for place in PLACES}, indent=1))


if __name__ == "__main__":
    main()
