"""Measure drawn lines on rendered pictures: ``python -m training.evaluate_trace FOLDER [--out FILE]``.

The true middle of the border is drawn again as a hand would: wandering off smoothly, trembling, not quite
from end to end. A strip is good where it holds the border's whole height along the line. Each picture is
read with the segmenter's help and, as where it fails, without any.
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

from model.photo import Photo, decode_photo
from model.piece import Piece, find_piece
from model.piece_mask import PieceMask, Segmenter, load_segmenter
from model.strip_grid import lay_grid
from training.intervals import describe_share
from training.rim_truth import RimTruth, build_truth, locate_in_strip

FloatArray = npt.NDArray[np.float64]

WANDERS = (0.005, 0.01, 0.02, 0.04)  # one sigma, of the lip's greatest width: careful to careless
TREMBLE = 0.2  # of the wander, from one drawn point to the next
PROBES, DRAWN = 240, 60
LEAST_FACING = 0.3
GOOD_SHARE = 0.85  # of the drawn border that the strip must hold
LEAST_RUN = 0.12  # of the turn that must be in the photo to be drawn


class _Told(Segmenter):
    """A segmenter with its answer known; None: nothing was made out."""

    def __init__(self, mask: PieceMask | None) -> None:
        self._mask = mask

    def mark_piece(self, photo: Photo) -> PieceMask:
        return self._mask  # type: ignore[return-value]


def visible_run(truth: RimTruth) -> npt.NDArray[np.intp] | None:
    """Indices, in order, of the longest stretch of the border in the photo and facing the camera."""
    assert truth.border_mm is not None
    points, facing = truth.ring(sum(truth.border_mm) / 2, PROBES)
    size = [truth.label["width"] - 1, truth.label["height"] - 1]
    good = (facing > LEAST_FACING) & ((points >= 0) & (points <= size)).all(axis=1)
    if good.all():
        return np.arange(PROBES)
    if not good.any():
        return None
    rolled = np.roll(good, -int(np.argmin(good)))
    runs = np.flatnonzero(np.diff(np.concatenate([[0], rolled.astype(np.int8), [0]]))).reshape(-1, 2)
    first, last = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    if last - first < LEAST_RUN * PROBES:
        return None
    return (np.arange(first, last) + int(np.argmin(good))) % PROBES


def draw_by_hand(line: FloatArray, wander_px: float, rng: np.random.Generator) -> FloatArray:
    """The line (N, 2) as a hand draws it: smooth wandering, trembling, its ends cut a little."""
    start, end = np.array([0.0, 0.9]) + rng.uniform(0, 0.06, 2)
    at = np.linspace(start, end, DRAWN) * (len(line) - 1)
    drawn = np.stack([np.interp(at, np.arange(len(line)), line[:, k]) for k in (0, 1)], axis=1)
    share = np.linspace(0, 1, DRAWN)
    waves = sum(
        rng.normal(0, 1, 2) * np.sin(np.pi * order * share[:, None] + rng.uniform(0, 2 * np.pi, 2))
        for order in (1, 2, 3, 5)
    )
    return np.asarray(
        drawn + wander_px * (waves / np.sqrt(2) + TREMBLE * rng.normal(0, 1, drawn.shape)), np.float64
    )


def held_share(photo: Photo, piece: Piece, truth: RimTruth, run: npt.NDArray[np.intp]) -> float:
    """Share of the drawn border whose two edges lie in the strip."""
    grid = None if piece.rim is None else lay_grid(photo, piece.rim, piece.outline)
    if grid is None or truth.border_mm is None:
        return 0.0
    inside = np.ones(len(run), dtype=bool)
    for depth in truth.border_mm:
        at = locate_in_strip(grid.where, truth.ring(depth, PROBES)[0][run], grid.closed)
        rows = at[:, 0]
        inside &= np.isfinite(rows) & (rows >= -1) & (rows <= grid.where.shape[0])
    return float(inside.mean())


def measure_picture(truth_file: Path, segmenter: Segmenter) -> list[dict[str, Any]]:
    """A row a size of wandering, with and without the segmenter; none where no border can be drawn."""
    truth = build_truth(truth_file)
    if truth is None or truth.border_mm is None:
        return []
    run = visible_run(truth)
    if run is None:
        return []
    photo = decode_photo(truth_file.with_suffix(".jpg").read_bytes())
    mask = segmenter.mark_piece(photo)
    line = truth.ring(sum(truth.border_mm) / 2, PROBES)[0][run]
    width_px = float(np.ptp(truth.lip, axis=0).max())
    rng = np.random.default_rng(int(truth.label["plan"]["seed"]))
    rows = []
    for wander in WANDERS:
        drawn = draw_by_hand(line, wander * width_px, rng)
        for name, told in (("with segmenter", mask), ("nothing made out", None)):
            piece = find_piece(photo, drawn, _Told(told))
            rows.append(
                {
                    "id": truth_file.stem,
                    "wander": wander,
                    "help": name,
                    "framing": truth.label["plan"]["framing"],
                    "outside": truth.outside,
                    "held": round(held_share(photo, piece, truth, run), 3),
                }
            )
    return rows


def sum_up(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Shares of good strips by help and wander, all and by how the piece is shown."""
    result: dict[str, Any] = {}
    for name in ("with segmenter", "nothing made out"):
        for wander in WANDERS:
            some = [row for row in rows if row["help"] == name and row["wander"] == wander]
            kinds = {
                "all": some,
                "plates": [row for row in some if not row["outside"] and row["framing"] != "close-up"],
                "bodies": [row for row in some if row["outside"]],
                "close-ups": [row for row in some if row["framing"] == "close-up"],
            }
            result[f"{name}, wander {wander:.1%}"] = {
                kind: describe_share([row["held"] >= GOOD_SHARE for row in held])
                for kind, held in kinds.items()
                if held
            }
    return result


def main() -> None:
    """Print and write the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", type=int, default=1, help="take every n-th picture")
    parser.add_argument("--out", type=Path)
    told = parser.parse_args()
    cv2.setNumThreads(1)
    segmenter = load_segmenter()
    if segmenter is None:
        raise SystemExit("no segmenter is installed")
    files = sorted(told.folder.glob("*.json"))[:: told.every]
    rows = [row for file in files for row in measure_picture(file, segmenter)]
    result = {
        "folder": told.folder.name,
        "machine": platform.machine(),
        "pictures": len({row["id"] for row in rows}),
        "measure": f"strip holds both edges of the drawn border along {GOOD_SHARE:.0%} of it",
        "shares": sum_up(rows),
    }
    print(json.dumps(result, indent=1))
    if told.out is not None:
        told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
