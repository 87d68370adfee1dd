"""Measure the unrolling on rendered pictures: ``python -m training.evaluate_unroll FOLDER [--out FILE]``.

Points even along the true surface must come out even along the strip, and a ring of one depth level in it.
Once with the true lip (which shows the unrolling alone) and once with the lip that is found.
"""

from __future__ import annotations

import argparse
import json
import platform
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.facts import Ellipse
from model.lip_shape import Lip
from model.photo import Photo, decode_photo
from model.piece import Piece, find_piece, lay_rim
from model.strip_grid import lay_grid
from training.intervals import describe_share
from training.rim_truth import RimTruth, build_truth, locate_in_strip

FloatArray = npt.NDArray[np.float64]

PROBES = 72
LEAST_FACING = {False: 0.08, True: 0.35}  # cosine to the camera; outsides are read to 70 degrees
LIMITS = {"oval platter": 0.05, "square plate": 0.05}  # spread of the spacing; else:
USUAL_LIMIT = 0.03
SIDE_LIMIT = 0.05


def make_true_piece(photo: Photo, truth: RimTruth) -> Piece:
    """The piece with its true lip."""
    rim = truth.label["rim"]
    ellipse = Ellipse(**rim["ellipse"]) if rim["ellipse"] else None
    lip = Lip(np.array(rim["curve"]), ellipse, np.ones(len(rim["curve"]), dtype=bool))
    outline = np.array(truth.label["outline"]) if truth.label["outline"] else None
    return Piece("found", outline, lay_rim(photo, lip, outline))


def measure_strip(photo: Photo, piece: Piece, truth: RimTruth) -> dict[str, float] | None:
    """Spread of the spacing (sd over mean), its greatest departure, and the spread of a ring's rows."""
    if piece.rim is None:
        return None
    grid = lay_grid(photo, piece.rim, piece.outline)
    if grid is None:
        return None
    depth = 0.5 * truth.verge_mm if truth.border_mm is None else sum(truth.border_mm) / 2
    points, facing = truth.ring(depth, PROBES)
    size = [truth.label["width"] - 1, truth.label["height"] - 1]
    good = (facing > LEAST_FACING[truth.outside]) & ((points >= 0) & (points <= size)).all(axis=1)
    at = locate_in_strip(grid.where, points, grid.closed)
    good &= np.isfinite(at[:, 0])
    width = grid.where.shape[1]
    gaps = np.roll(at[:, 1], -1) - at[:, 1]
    if grid.closed:
        gaps = (gaps + width / 2) % width - width / 2
    gaps = gaps[good & np.roll(good, -1)]
    gaps = gaps[np.abs(gaps) < 4 * np.median(np.abs(gaps))] if len(gaps) else gaps
    if len(gaps) < 8:
        return None
    rows = at[good, 0] - grid.lip_row
    return {
        "spread": float(gaps.std() / abs(gaps.mean())),
        "greatest": float(np.abs(gaps / gaps.mean() - 1).max()),
        "row_spread": float(rows.std() / max(float(np.median(rows)), 1.0)),
    }


def measure_picture(truth_file: Path) -> dict[str, Any] | None:
    """One row: shape, framing, and the measures with the true and the found lip."""
    truth = build_truth(truth_file)
    if truth is None or not truth.from_above or truth.label["plan"]["framing"] == "close-up":
        return None
    photo = decode_photo(truth_file.with_suffix(".jpg").read_bytes())
    return {
        "id": truth_file.stem,
        "shape": truth.label["piece"],
        "framing": truth.label["plan"]["framing"],
        "true lip": measure_strip(photo, make_true_piece(photo, truth), truth),
        "found lip": measure_strip(photo, find_piece(photo), truth),
    }


def sum_up(rows: list[dict[str, Any]], lip: str) -> dict[str, Any]:
    """Shares within the limit, with n and interval, by shape; medians beside them."""
    groups: dict[str, list[tuple[float, dict[str, float] | None]]] = {}
    for row in rows:
        outside = row["shape"] in ("cup", "sugar bowl", "creamer")
        limit = SIDE_LIMIT if outside else LIMITS.get(row["shape"], USUAL_LIMIT)
        groups.setdefault(row["shape"], []).append((limit, row[lip]))
    result = {}
    for shape, measured in sorted(groups.items()):
        got = [value for _, value in measured if value is not None]
        result[shape] = {
            "limit": measured[0][0],
            "within": describe_share([v is not None and v["spread"] <= limit for limit, v in measured]),
            "not_unrolled": len(measured) - len(got),
            **{f"median_{key}": round(float(np.median([v[key] for v in got])), 4)
               for key in ("spread", "greatest", "row_spread") if got},
        }  # fmt: skip
    return result


def main() -> None:
    """Print the shares by shape and write them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", type=int, default=1, help="take every n-th picture")
    parser.add_argument("--out", type=Path)
    told = parser.parse_args()
    cv2.setNumThreads(1)
    files = sorted(told.folder.glob("*.json"))[:: told.every]
    rows = [row for row in map(measure_picture, files) if row is not None]
    result = {
        "folder": told.folder.name,
        "machine": platform.machine(),
        "pictures": len(rows),
        "measure": "standard deviation of the spacing of 72 even points at the border's depth over its mean",
        "true lip": sum_up(rows, "true lip"),
        "found lip": sum_up(rows, "found lip"),
    }
    print(json.dumps(result, indent=1))
    if told.out is not None:
        told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
