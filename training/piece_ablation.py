"""What edges and segmenter each add to the rim: ``python -m training.piece_ablation FOLDER... --out FILE``.

On the rendered scenes that the training of the segmenter held out: edges alone, the ellipse of the segmenter
without any edges, and both as shipped.
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

from model.ellipse import polygon_iou, sample_ellipse
from model.lip_from_votes import start_ellipse
from model.photo import Photo, decode_photo
from model.piece import find_piece
from model.piece_mask import PieceMask, Segmenter, load_segmenter, to_photo, turn_mask
from model.quarter_turns import TurnedPhoto, turn_points
from training.intervals import describe_share
from training.pack_rims import HELD_OUT_EVERY

FloatArray = npt.NDArray[np.float64]
HOLLOW = ("cup", "sugar bowl", "creamer", "egg cup")
WAYS = ("edges alone", "segmenter alone", "both")


class _Fixed(Segmenter):
    """A segmenter that gives an answer found before; None stands for no segmenter."""

    def __init__(self, mask: PieceMask | None) -> None:
        self._mask = mask

    def mark_piece(self, photo: Photo) -> PieceMask:
        return self._mask  # type: ignore[return-value]


def find_without_edges(photo: Photo, mask: PieceMask) -> FloatArray | None:
    """The ellipse the segmenter says, photo px."""
    ellipse = start_ellipse(turn_mask(mask, mask.quarters))
    if ellipse is None:
        return None
    turned = TurnedPhoto(photo, mask.quarters)
    curve = to_photo(sample_ellipse(ellipse), mask.scale)
    return turn_points(curve, -mask.quarters, turned.width, turned.height)


def measure_ways(path: Path, lip: FloatArray, segmenter: Segmenter) -> dict[str, float]:
    """IoU of the lip by each of WAYS."""
    photo = decode_photo(path.read_bytes())
    mask = segmenter.mark_piece(photo)
    found: dict[str, FloatArray | None] = {"segmenter alone": find_without_edges(photo, mask)}
    for name, fixed in (("edges alone", None), ("both", mask)):
        rim = find_piece(photo, segmenter=_Fixed(fixed)).rim
        found[name] = None if rim is None else rim.curve
    return {name: 0.0 if found[name] is None else polygon_iou(found[name], lip) for name in WAYS}  # type: ignore[arg-type]


def group_of(truth: dict[str, Any]) -> str:
    """Flat or hollow, and how the scene is framed."""
    kind = "hollow" if truth["piece"] in HOLLOW else "flat"
    return f"{kind}, {truth['plan']['framing']}"


def main() -> None:
    """Measure and write the shares at IoU .8 and .9 by group."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    cv2.setNumThreads(1)
    segmenter = load_segmenter()
    if segmenter is None:
        raise SystemExit("no segmenter is installed")
    groups: dict[str, list[dict[str, float]]] = {}
    for path in sorted(p for folder in told.folders for p in folder.rglob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        if "plan" not in truth or int(truth["plan"]["seed"]) % HELD_OUT_EVERY or not truth["rim"]["curve"]:
            continue
        row = measure_ways(path.with_suffix(".jpg"), np.array(truth["rim"]["curve"]), segmenter)
        for name in ("all", group_of(truth), truth["piece"]):
            groups.setdefault(name, []).append(row)
    shares = {
        name: {
            way: {
                f"IoU >= {level}": describe_share(np.array([r[way] for r in rows]) >= level)
                for level in (0.8, 0.9)
            }
            for way in WAYS
        }
        for name, rows in groups.items()
    }
    result = {
        "pictures": "rendered, held out of the segmenter's training by scene; thresholds were chosen on them",
        "weights_sha256": segmenter.recipe["weights_sha256"],
        "machine": platform.machine(),
        "shares": shares,
    }
    told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
