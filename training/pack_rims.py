"""Pack rendered pictures with known rims: ``python -m training.pack_rims FOLDER... --out FILE``.

Each folder holds pictures with, beside them, a truth file ``NAME.json``: visible outline and whole lip.
The file holds JPEG bytes and polygons; scenes are held out by their seed, for measuring. Of scenes shown
whole a part of the rim is packed too, cut from the full-size picture as a close-up.
"""

from __future__ import annotations

import argparse
import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageOps

FloatArray = npt.NDArray[np.float64]

CANVAS_PX = 448  # longer side of a packed picture: room to zoom in on a small piece
HELD_OUT_EVERY = 6  # one scene in so many is never trained on
PICTURES = (".jpg", ".jpeg", ".png", ".webp")
_QUALITY = 64
_KIND_OF = {"square plate": 1, "scalloped plate": 2, "wavy plate": 2, "creamer": 3}
_HARD_SHAPES = ("cup", "sugar bowl", "creamer", "egg cup", "wavy plate")
_HARD_WEIGHT = 2.0  # how much oftener a hard scene is drawn
_CLOSER = (0.3, 0.75)  # longer side of a close-up cut from a whole picture, in longer sides of the lip
_LEAST_CROP_PX = 260  # smaller ones are too blurred to be photos


def pack_pictures(folders: list[Path], closer: bool = False) -> Iterator[tuple[bytes, dict[str, Any]]]:
    """JPEG bytes and truth (polygons in px of the packed picture, kind, whether held out) of each picture."""
    cut: set[int] = set()
    for path in sorted(p for folder in folders for p in folder.rglob("*") if p.suffix.lower() in PICTURES):
        truth_file = path.with_suffix(".json")
        truth = json.loads(truth_file.read_text(encoding="utf-8")) if truth_file.exists() else {}
        if not (truth.get("rim") or {}).get("curve"):
            continue
        with Image.open(path) as opened:
            picture = ImageOps.exif_transpose(opened).convert("RGB")
        yield _pack_part(picture, truth, (0, 0, *picture.size), path.stem)
        seed = int(truth["plan"]["seed"])
        if not closer or truth["plan"].get("framing") != "whole" or seed in cut or seed % HELD_OUT_EVERY == 0:
            continue
        box = choose_close_up(np.array(truth["rim"]["curve"]), picture.size, seed)
        if box is not None:
            cut.add(seed)  # once a scene, of those shown several times in other metals
            yield _pack_part(picture, truth, box, f"{path.stem}-close")


def choose_close_up(lip: FloatArray, size: tuple[int, int], seed: int) -> tuple[int, int, int, int] | None:
    """Left, top, right, bottom of a random part of the rim; None where the piece is small."""
    rng = np.random.default_rng(seed)
    reach = float(np.ptp(lip, axis=0).max()) * rng.uniform(*_CLOSER)
    sides = np.array([1.0, rng.uniform(0.68, 0.8)])[:: 1 if rng.random() < 0.5 else -1] * reach
    if reach < _LEAST_CROP_PX or (sides > size).any():
        return None
    at = lip[int(rng.integers(len(lip)))]
    middle = at + (lip.mean(axis=0) - at) * rng.uniform(-0.1, 0.45) + rng.normal(0, 0.12, 2) * sides
    first = np.clip(middle - sides / 2, 0, np.array(size) - sides)
    left, top, right, bottom = (int(v) for v in (*first, *(first + sides)))
    return left, top, right, bottom


def _pack_part(
    picture: Image.Image, truth: dict[str, Any], box: tuple[int, int, int, int], name: str
) -> tuple[bytes, dict[str, Any]]:
    """A part of a picture, reduced or enlarged to the packed size, with the truth moved along."""
    scale = CANVAS_PX / max(box[2] - box[0], box[3] - box[1])
    sides = [round((box[i + 2] - box[i]) * scale) for i in (0, 1)]
    way = Image.Resampling.BOX if scale <= 1 else Image.Resampling.BICUBIC
    small = picture.resize(sides, way, box=box)
    kept = io.BytesIO()
    small.save(kept, "JPEG", quality=_QUALITY)
    plan = truth["plan"]
    hard = truth.get("piece") in _HARD_SHAPES or plan.get("framing") != "whole" or plan.get("cover")
    return kept.getvalue(), {
        "width": small.width,
        "height": small.height,
        "lip": _scaled(truth["rim"]["curve"], box[:2], scale),
        "outline": _scaled(truth.get("outline") or [], box[:2], scale),
        "kind": _KIND_OF.get(truth.get("piece", ""), 0),
        "held_out": int(plan["seed"]) % HELD_OUT_EVERY == 0,
        "weight": _HARD_WEIGHT if hard else 1.0,
        "name": name,
    }


def _scaled(polygon: list[list[float]], corner: tuple[int, ...], scale: float) -> list[list[float]]:
    left, top = corner
    return [[round((x + 0.5 - left) * scale, 1), round((y + 0.5 - top) * scale, 1)] for x, y in polygon]


def main() -> None:
    """Pack the folders into one file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--closer", action="store_true", help="pack close-ups cut from whole pictures too")
    told = parser.parse_args()
    packed = list(pack_pictures(told.folders, told.closer))
    sizes = np.cumsum([0] + [len(data) for data, _ in packed])
    data = np.frombuffer(b"".join(data for data, _ in packed), np.uint8)
    truth = np.frombuffer(json.dumps([truth for _, truth in packed]).encode(), np.uint8)
    np.savez_compressed(told.out, data=data, starts=sizes, truth=truth)
    print(f"{len(packed)} pictures, {sum(t['held_out'] for _, t in packed)} of them held out")


if __name__ == "__main__":
    main()
