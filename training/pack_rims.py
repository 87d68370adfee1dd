"""Pack rendered pictures with known rims: ``python -m training.pack_rims FOLDER... --out FILE``.

Each folder holds pictures with, beside them, a truth file ``NAME.json``: visible outline and whole lip.
The file holds JPEG bytes and polygons; scenes are held out by their seed, for measuring.
"""

from __future__ import annotations

import argparse
import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageOps

CANVAS_PX = 448  # longer side of a packed picture: room to zoom in on a small piece
HELD_OUT_EVERY = 6  # one scene in so many is never trained on
PICTURES = (".jpg", ".jpeg", ".png", ".webp")
_QUALITY = 88
_KIND_OF = {"square plate": 1, "scalloped plate": 2, "creamer": 3}


def pack_pictures(folders: list[Path]) -> Iterator[tuple[bytes, dict[str, Any]]]:
    """JPEG bytes and truth (polygons in px of the packed picture, kind, whether held out) of each picture."""
    for path in sorted(p for folder in folders for p in folder.rglob("*") if p.suffix.lower() in PICTURES):
        truth_file = path.with_suffix(".json")
        truth = json.loads(truth_file.read_text(encoding="utf-8")) if truth_file.exists() else {}
        lip = (truth.get("rim") or {}).get("curve")
        if not lip:
            continue
        with Image.open(path) as opened:
            picture = ImageOps.exif_transpose(opened).convert("RGB")
        scale = CANVAS_PX / max(picture.size)
        small = picture.resize([round(side * scale) for side in picture.size], Image.Resampling.BOX)
        kept = io.BytesIO()
        small.save(kept, "JPEG", quality=_QUALITY)
        yield (
            kept.getvalue(),
            {
                "width": small.width,
                "height": small.height,
                "lip": _scaled(lip, scale),
                "outline": _scaled(truth.get("outline") or [], scale),
                "kind": _KIND_OF.get(truth.get("piece", ""), 0),
                "held_out": int(truth["plan"]["seed"]) % HELD_OUT_EVERY == 0,
                "name": path.stem,
            },
        )


def _scaled(polygon: list[list[float]], scale: float) -> list[list[float]]:
    return [[round((x + 0.5) * scale, 2), round((y + 0.5) * scale, 2)] for x, y in polygon]


def main() -> None:
    """Pack the folders into one file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    packed = list(pack_pictures(told.folders))
    sizes = np.cumsum([0] + [len(data) for data, _ in packed])
    data = np.frombuffer(b"".join(data for data, _ in packed), np.uint8)
    truth = np.frombuffer(json.dumps([truth for _, truth in packed]).encode(), np.uint8)
    np.savez(told.out, data=data, starts=sizes, truth=truth)
    print(f"{len(packed)} pictures, {sum(t['held_out'] for _, t in packed)} of them held out")


if __name__ == "__main__":
    main()
