"""Freeze a rendered set: its rows, the truth in short, and what decides the pictures.

``python -m training.render.freeze --rendered DIR --set exam --out training/exams/exam-1.jsonl.gz``
``python -m training.render.freeze --count 2000 --set exam-2 --out training/exams/exam-2.jsonl.gz``, before
anything is rendered and so without the truth, which the pictures bring.
Every row can be rendered again; ``renderer_hash`` and ``tile_hash`` say whether the same code and
the same motif art would do it. Pictures traced anew with other random numbers agree to at least 35 dB
(peak signal to noise of the decoded files); their truth is equal but for the light's, which is sampled.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path
from typing import Any

from training.json_lines import write_rows
from training.render.manifest import Row, make_manifest, motif_of, plan_of

FOLDER = Path(__file__).parent
# what decides a picture; batching and publishing do not
DECIDING_FILES = [
    "camera.py",
    "decoration.py",
    "lips.py",
    "meshes.py",
    "phone.py",
    "photo_file.py",
    "picture.py",
    "pieces.py",
    "plan.py",
    "profiles.py",
    "room.py",
    "sight.py",
    "smoothing.py",
    "spectra.npz",
    "stage.py",
    "tables.py",
    "things.py",
    "tracing.py",
    "truth.py",
    "viewpoint.py",
    "wear.py",
]
KEPT = [
    "piece",
    "glaze",
    "metal",
    "trim",
    "finish",
    "paint",
    "motif",
    "motif_id",
    "variant",
    "border",
    "lines",
    "lights",
    "white_rgb",
    "status",
    "state",
    "remaining_share",
    "dull_share",
    "width",
    "height",
    "diameter_mm",
]


def hash_renderer() -> str:
    """Short hash over the files that decide a picture."""
    digest = hashlib.sha256()
    for name in DECIDING_FILES:
        digest.update((FOLDER / name).read_bytes())
    return digest.hexdigest()[:16]


def hash_tile(row: Row) -> str | None:
    """Short hash of the row's motif tile, None without a motif."""
    motifs = motif_of(plan_of(row))
    for motif in motifs.values():
        levels = (motif.tile * 255.0 + 0.5).astype("uint8")
        return hashlib.sha256(levels.tobytes()).hexdigest()[:16]
    return None


def shorten_truth(truth: dict[str, Any]) -> dict[str, Any]:
    """The facts a score needs, without curves and polygons."""
    short = {name: truth[name] for name in KEPT}
    short["ellipse"] = truth["rim"]["ellipse"]
    short["visible_share"] = truth["rim"]["visible_share"]
    return short


def freeze_rows(rendered: Path, name: str) -> list[Row]:
    """Rows of every picture in a folder, with its truth in short and both hashes."""
    done = sorted(rendered.glob(f"{name}-*.json"))
    count = 1 + max(int(path.stem.rpartition("-")[2]) for path in done)
    rows = {row["id"]: row for row in make_manifest(name, count)}
    frozen, renderer = [], hash_renderer()
    for path in done:
        row = rows[path.stem]
        truth = json.loads(path.read_text(encoding="utf-8"))
        hashes = {"renderer_hash": renderer, "tile_hash": hash_tile(row)}
        frozen.append(row | hashes | {"truth": shorten_truth(truth)})
    return frozen


def freeze_plan(name: str, count: int) -> list[Row]:
    """The first rows of a set that is still to be rendered, with both hashes."""
    renderer = hash_renderer()
    tiles: dict[str | None, str | None] = {None: None}
    frozen = []
    for row in make_manifest(name, count):
        motif_id = plan_of(row).motif_id
        if motif_id not in tiles:
            tiles[motif_id] = hash_tile(row)
        frozen.append(row | {"renderer_hash": renderer, "tile_hash": tiles[motif_id]})
    return frozen


def main() -> None:
    """Write the frozen manifest."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rendered", type=Path, help="folder of pictures and truths")
    parser.add_argument("--count", type=int, default=0, help="rows to freeze before they are rendered")
    parser.add_argument("--set", required=True)
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    told.out.parent.mkdir(parents=True, exist_ok=True)
    rows = freeze_rows(told.rendered, told.set) if told.rendered else freeze_plan(told.set, told.count)
    write_rows(told.out, rows)


if __name__ == "__main__":
    main()
