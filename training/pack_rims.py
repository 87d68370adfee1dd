"""Pack rendered pictures with known rims: ``python -m training.pack_rims FOLDER... --out FILE``.

Each folder holds pictures with, beside them, a truth file ``NAME.json``: visible outline and whole lip.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.photo import decode_photo
from training.evaluate_rim import PICTURES, find_lip

LONG_PX, SHORT_PX = 288, 224
_SEEN_REACH_PX = 3  # the lip's line counts as seen where the visible silhouette lies this near


def paint_truth(truth: dict[str, Any], scale: float, height: int, width: int) -> npt.NDArray[np.uint8] | None:
    """(height, width, 3) uint8 0..255: silhouette, area inside the lip, seen lip line; None without a lip."""
    lip = find_lip(truth)
    if lip is None:
        return None
    outline = truth.get("outline") or []
    layers = [np.zeros((height, width), np.uint8) for _ in range(3)]
    polygon = [np.round(((lip + 0.5) * scale - 0.5) * 16).astype(np.int32)]
    if len(outline) >= 3:
        shape = np.round(((np.array(outline) + 0.5) * scale - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(layers[0], [shape], 255, cv2.LINE_AA, 4)
    cv2.fillPoly(layers[1], polygon, 255, cv2.LINE_AA, 4)
    cv2.polylines(layers[2], polygon, True, 255, 3, cv2.LINE_AA, 4)
    reach = 2 * _SEEN_REACH_PX + 1
    layers[2] &= cv2.dilate(layers[0], np.ones((reach, reach), np.uint8))
    return np.dstack(layers)


def pack_folder(folder: Path) -> dict[bool, list[tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]]]:
    """Pictures and targets by whether they are portrait, each (288, 224) or (224, 288)."""
    packed: dict[bool, list[tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]]] = {True: [], False: []}
    for path in sorted(p for p in folder.rglob("*") if p.suffix.lower() in PICTURES):
        truth_file = path.with_suffix(".json")
        if not truth_file.exists():
            continue
        truth = json.loads(truth_file.read_text(encoding="utf-8"))
        photo = decode_photo(path.read_bytes())
        portrait = photo.height > photo.width
        height, width = (LONG_PX, SHORT_PX) if portrait else (SHORT_PX, LONG_PX)
        small, scale = photo.reduced(LONG_PX)
        small = small[:height, :width]
        targets = paint_truth(truth, scale, height, width)
        if targets is None:
            continue
        below, right = height - small.shape[0], width - small.shape[1]
        small = cv2.copyMakeBorder(small, 0, below, 0, right, cv2.BORDER_REPLICATE)
        packed[portrait].append((small, targets))
    return packed


def main() -> None:
    """Pack the folders into one compressed file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    arrays: dict[str, Any] = {}
    for portrait, name in ((True, "portrait"), (False, "landscape")):
        pairs = [pair for folder in told.folders for pair in pack_folder(folder)[portrait]]
        if pairs:
            arrays[f"{name}_pictures"] = np.stack([picture for picture, _ in pairs])
            arrays[f"{name}_targets"] = np.stack([targets for _, targets in pairs])
            print(f"{name}: {len(pairs)} pictures")
    np.savez_compressed(told.out, **arrays)


if __name__ == "__main__":
    main()
