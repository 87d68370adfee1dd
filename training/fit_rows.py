"""Fit what rows of labels mean: ``python -m training.fit_rows --set DIR --regions ROWS.xz [--rows A B]``.

The witness labels the strips of rendered pictures as reading does it; the truth is the scene's plan, laid on
the same strip. Fitted are four small logistic sums: is the span a border, is there an edge line, is there a
verge line, is a line metal. Writes ``model/weights/rows.json`` with held-out figures, split by picture.
Pictures that the witness learnt from make it look surer than it is: use others. Needs the art cache.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from tqdm import tqdm

from model.bands import separate_print
from model.border_span import find_border_span
from model.label_rows import LINES, RECIPE, load_recipe
from model.light import find_light
from model.line_span import find_line_span
from model.lines import clip_odds
from model.photo import decode_photo
from model.piece import find_piece
from model.rim_band import unroll_rim
from model.straighten import straighten_strip
from model.strip_labels import StripLabels
from model.surroundings import look_around
from model.trim_print import find_print
from model.witness import hear_witness
from training.calibrate_fusion import read_rows
from training.fit_trim import fit_regions, judge_rows
from training.intervals import describe_share
from training.label_truth import true_labels
from training.render.decoration import METALS
from training.trim_features_table import PhotoRow

Array = npt.NDArray[np.float64]

FOLDS = 8
STRENGTH = 0.3  # inverse penalty of the standardised weights (own choice)
LEVELS = np.linspace(0.15, 0.85, 29)
# Of the best balance, for a lower level: what is told and doubted is better than untold.
BALANCE_GIVEN = 0.006
LEAST_OVERLAP = 0.4  # of a border's rows with the true ones: less is not the border
NEAR_CELLS = 1.5  # that a line's middle may be off
LEAST_PAIRS, LEAST_RUN, FACTORS = 30, 0.2, (0.6, 1.6)  # lines to fit widths on; cells between two; bounds
SHOWN_CELLS = 0.3  # a true line narrower on the strip than that is not on it


@dataclass(frozen=True)
class Case:
    """One question about a picture: its facts, whether the answer is yes, whether a yes would be in place.

    ``present`` tells that the picture has such a border or line at all; ``found`` and ``true`` are a border's
    rows in strip px, or 0 and a line's width in cells.
    """

    picture: str
    judge: str
    facts: dict[str, float]
    present: bool
    right: bool
    found: tuple[float, float] | None = None
    true: tuple[float, float] | None = None


def read_labels(photo_file: Path, told: dict[str, Any]) -> tuple[StripLabels, StripLabels] | None:
    """A picture's labels as reading makes them, and the true ones; None without a view of the rim."""
    photo = decode_photo(photo_file.read_bytes())
    piece = find_piece(photo)
    unrolled = unroll_rim(photo, piece)
    if unrolled is None:
        return None
    strip, around = straighten_strip(unrolled), look_around(photo, piece)
    bands = separate_print(strip)
    light = find_light(photo, piece, strip, bands, None, around=around)
    heard = hear_witness(strip, find_print(strip, bands).glaze_linear_rgb, light, around.colours)
    true = true_labels(told, photo, piece, unrolled, strip)
    return None if heard is None or true is None else (heard.labels, true)


def describe_picture(
    picture: str, labels: StripLabels, true: StripLabels, told: dict[str, Any]
) -> list[Case]:
    """All questions about one picture. ``told`` is its truth file."""
    cases = [_describe_border(picture, labels, true, has_border(told))]
    places = [line["place"] for line in told["lines"]]
    for kind in LINES:
        case = _describe_line(picture, kind, labels, true, kind.removesuffix(" line") in places)
        cases.append(case)
    return [case for case in cases if case is not None]


def has_border(told: dict[str, Any]) -> bool:
    """Whether the truth file tells of a border."""
    return bool((told.get("border") or {}).get("layout", "none") != "none")


def _describe_border(picture: str, labels: StripLabels, true: StripLabels, bordered: bool) -> Case | None:
    span, own = find_border_span(labels), find_border_span(true)
    if span is None:
        return None
    found, laid = _pair(labels, span), None
    if bordered and own is not None and own.facts["highest"] > 0.5:
        laid = _pair(true, own)
    right = laid is not None and overlap_of(found, laid) >= LEAST_OVERLAP
    return Case(picture, "border", span.facts, bordered, right, found, laid)


def _describe_line(
    picture: str, kind: str, labels: StripLabels, true: StripLabels, there: bool
) -> Case | None:
    line, own = find_line_span(labels, kind), find_line_span(true, kind)
    if line is None:
        return None
    shown = there and own is not None and own.width > SHOWN_CELLS
    if not shown or own is None:
        return Case(picture, kind, line.facts, there, False)
    apart = abs(line.first + line.last - own.first - own.last) / 2
    return Case(picture, kind, line.facts, there, apart <= NEAR_CELLS, (0.0, line.width), (0.0, own.width))


def _pair(labels: StripLabels, span: Any) -> tuple[float, float]:
    first, last = labels.rows_px([span.first, span.last])
    return float(first), float(last)


def overlap_of(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Intersection over union of rows."""
    both = max(0.0, min(one[1], other[1]) - max(one[0], other[0]))
    return both / (max(one[1], other[1]) - min(one[0], other[0]))


def fit_judge(cases: Sequence[Case]) -> dict[str, Any]:
    """Recipe part of one judge: weights, shift, level, held-out figures."""
    names = sorted(cases[0].facts)
    rows = np.array([[case.facts[name] for name in names] for case in cases])
    # A line that is there is told even where its rows are found a little off; a border's rows must be right.
    yes = np.array([case.present if case.judge in LINES else case.right for case in cases])
    groups = np.array([case.picture for case in cases])
    held_out = np.zeros(len(cases))
    for fit_on, hold in GroupKFold(FOLDS, shuffle=True, random_state=3).split(rows, groups=groups):
        held_out[hold] = _make_fit().fit(rows[fit_on], yes[fit_on]).predict_proba(rows[hold])[:, 1]
    model = _make_fit().fit(rows, yes)
    scaler, linear = model[0], model[1]
    weights = linear.coef_[0] / scaler.scale_
    shift = float(linear.intercept_[0] - (weights * scaler.mean_).sum())
    level, figures = _choose_level(cases, held_out)
    return {
        "weights": {name: round(float(weight), 4) for name, weight in zip(names, weights, strict=True)},
        "shift": round(shift, 4),
        "least_chance": round(level, 3),
        "rendered": figures,
    }


def _make_fit() -> Any:
    return make_pipeline(StandardScaler(), LogisticRegression(C=STRENGTH, max_iter=2000))


def _choose_level(cases: Sequence[Case], chance: Array) -> tuple[float, dict[str, Any]]:
    """The lowest level hardly short of the best balance; found, in place, and not claimed, shares at it."""
    present = np.array([case.present for case in cases])
    right = np.array([case.right for case in cases])
    balance = np.array(
        [((chance >= level)[present].mean() + (chance < level)[~present].mean()) / 2 for level in LEVELS]
    )
    chosen = int(np.argmax(balance >= balance.max() - BALANCE_GIVEN))
    if cases[0].judge == "metal line":  # metal taken for paint is no better than paint for metal
        chosen = int(np.argmin(np.abs(LEVELS - 0.5)))
    level = float(LEVELS[chosen])
    figures = {
        "cases": len(cases),
        "found": describe_share((chance >= level)[present]),
        "found_in_its_place": describe_share(((chance >= level) & right)[present]),
        "not_claimed_where_none_is": describe_share((chance < level)[~present]),
        "balanced": round(float(balance[chosen]), 4),
    }
    return level, figures


def describe_materials(rows: Sequence[PhotoRow]) -> list[Case]:
    """Whether each known line of the rows is metal, its print judged by trees that never saw its group."""
    groups = np.array([str(row.truth["group"]) for row in rows])
    cases: list[Case] = []
    for fit_on, hold in GroupKFold(FOLDS, shuffle=True, random_state=3).split(groups, groups=groups):
        recipe = fit_regions([rows[k] for k in fit_on])
        held = [rows[k] for k in hold]
        for row, judged in zip(held, judge_rows(held, recipe), strict=True):
            for region, one in zip(row.regions, judged, strict=True):
                if region["kind"] in LINES and region["label"] is not None and one.features is not None:
                    metal = region["label"] in METALS
                    facts = {
                        "region": clip_odds(one.metal_log_odds),
                        "rim": clip_odds(row.measures["said_metal"]),
                    }
                    cases.append(Case(row.file, "metal line", facts, metal, metal))
    return cases


def fit_width(cases: Sequence[Case]) -> list[float]:
    """Factor and shift in cells that bring a line's measured width to its true one (Theil, Sen)."""
    pairs = np.array([(c.found[1], c.true[1]) for c in cases if c.right and c.found and c.true])
    if len(pairs) < LEAST_PAIRS:
        return [1.0, 0.0]
    found, true = pairs.T
    rise = np.subtract.outer(true, true)[np.triu_indices(len(pairs), 1)]
    run = np.subtract.outer(found, found)[np.triu_indices(len(pairs), 1)]
    apart = np.abs(run) > LEAST_RUN
    factor = float(np.clip(np.median(rise[apart] / run[apart]), *FACTORS)) if apart.any() else 1.0
    return [round(factor, 4), round(float(np.median(true - factor * found)), 4)]


def sum_up_rows(cases: Sequence[Case]) -> dict[str, Any]:
    """How well rows and widths fit, of those in place or claimed in the figures above."""
    borders = [c for c in cases if c.judge == "border" and c.found is not None and c.true is not None]
    overlaps = np.array([overlap_of(c.found, c.true) for c in borders if c.found and c.true])
    told: dict[str, Any] = {
        f"border_overlap_over_{level}": describe_share(overlaps >= level) for level in (0.5, 0.7, 0.8)
    }
    for kind in LINES:
        lines = [c for c in cases if c.judge == kind and c.right and c.found and c.true]
        if lines:
            ratio = np.array([c.found[1] / c.true[1] for c in lines if c.found and c.true])
            told[f"{kind}_width_to_true"] = [round(float(q), 3) for q in np.quantile(ratio, [0.1, 0.5, 0.9])]
    return told


Reader = Callable[[Path, dict[str, Any]], tuple[StripLabels, StripLabels] | None]


def gather_cases(folders: Sequence[Path], rows: tuple[int, int], read: Reader = read_labels) -> list[Case]:
    """All questions about the pictures numbered ``rows`` of the folders."""
    files = [file for folder in folders for file in sorted(folder.glob("*.jpg"))][rows[0] : rows[1]]
    cases: list[Case] = []
    for file in tqdm(files, desc="photos", unit="photo"):
        told = json.loads(file.with_suffix(".json").read_text(encoding="utf-8"))
        labels = read(file, told)
        if labels is not None:
            cases += describe_picture(file.stem, labels[0], labels[1], told)
    return cases


def main() -> None:
    """Describe the pictures, fit, write the recipe and print the held-out figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", type=Path, action="append", default=[], dest="sets")
    parser.add_argument("--rows", type=int, nargs=2, default=(0, 1 << 30))
    parser.add_argument("--regions", type=Path, required=True, help="rows of `training.witness_rows`")
    parser.add_argument("--cache", type=Path, help="cases are read from here, and new ones added")
    parser.add_argument("--note", default="", help="kept with the recipe: which pictures, by which networks")
    parser.add_argument("--out", type=Path, default=RECIPE)
    told = parser.parse_args()
    cv2.setNumThreads(1)
    cases: list[Case] = []
    if told.cache is not None and told.cache.exists():
        cases = [Case(**json.loads(line)) for line in told.cache.read_text(encoding="utf-8").splitlines()]
    cases += gather_cases(told.sets, told.rows)
    if told.cache is not None:
        told.cache.write_text("".join(json.dumps(asdict(case)) + "\n" for case in cases), encoding="utf-8")
    write_recipe([*cases, *describe_materials(read_rows(told.regions))], told.out, told.note)
    print(told.out.read_text(encoding="utf-8"))


def write_recipe(cases: Sequence[Case], out: Path, note: str = "") -> None:
    """Fit every judge and write the recipe with its figures."""
    judges = {
        name: fit_judge([c for c in cases if c.judge == name]) for name in ("border", *LINES, "metal line")
    }
    widths = {kind: fit_width([c for c in cases if c.judge == kind]) for kind in LINES}
    recipe = {
        "judges": judges,
        "widths": widths,
        "note": note,
        "pictures": len({c.picture for c in cases if c.judge == "border"}),
        "rows": sum_up_rows(cases),
    }
    out.write_text(json.dumps(recipe, indent=1) + "\n", encoding="utf-8")
    load_recipe.cache_clear()


if __name__ == "__main__":
    main()
