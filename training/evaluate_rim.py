"""Measure the rim finder on a folder of photos: ``python -m training.evaluate_rim FOLDER [--sheet FILE]``.

A folder holds either ``labels.csv`` (hand-labelled ellipses: cx, cy, full axes, angle) or, beside each
picture, a truth file ``NAME.json`` with the lip as polygon.
"""

from __future__ import annotations

import argparse
import csv
import json
import platform
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.photo import decode_photo
from model.piece import find_piece
from model.piece_mask import Segmenter, load_segmenter
from training.intervals import describe_share, wilson_interval

FloatArray = npt.NDArray[np.float64]
PICTURES = (".jpg", ".jpeg", ".png", ".webp")


def read_truths(folder: Path) -> Iterator[tuple[Path, FloatArray, dict[str, Any]]]:
    """Each picture with the polygon of its lip and what else the label says."""
    labels = folder / "labels.csv"
    if labels.exists():
        with labels.open(newline="", encoding="utf-8") as lines:
            for row in csv.DictReader(lines):
                cx, cy, major, minor, angle = (
                    float(row[k]) for k in ("cx", "cy", "major", "minor", "angle_deg")
                )
                lip = Ellipse(cx, cy, major / 2, minor / 2, angle)
                yield folder / row["file"], sample_ellipse(lip), dict(row)
        return
    for path in sorted(p for p in folder.rglob("*") if p.suffix.lower() in PICTURES):
        truth_file = path.with_suffix(".json")
        if truth_file.exists():
            truth = json.loads(truth_file.read_text(encoding="utf-8"))
            polygon = find_lip(truth)
            if polygon is not None:
                yield path, polygon, truth


def find_lip(truth: dict[str, Any]) -> FloatArray | None:
    """The lip polygon of a truth file."""
    curve = (truth.get("rim") or {}).get("curve")
    return np.array(curve, dtype=np.float64) if curve else None


def measure_folder(
    folder: Path, limit: int | None = None, segmenter: Segmenter | None = None
) -> list[dict[str, Any]]:
    """One row a picture: IoU of the lip, status, visible share, milliseconds."""
    rows = []
    for path, lip, label in read_truths(folder):
        photo = decode_photo(path.read_bytes())
        start = time.perf_counter()
        piece = find_piece(photo, segmenter=segmenter)
        spent = (time.perf_counter() - start) * 1000
        curve = piece.rim.curve if piece.rim is not None else None
        iou = polygon_iou(curve, lip) if curve is not None else 0.0
        share = piece.rim.visible_share if piece.rim is not None else 0.0
        rows.append(
            {"path": path, "iou": iou, "status": piece.status, "visible": share, "ms": spent, "curve": curve}
            | {"lip": lip, "label": label, "view": piece.rim.view if piece.rim else ""}
        )
        if limit is not None and len(rows) >= limit:
            break
    return rows


def group_shares(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Shares of rows at IoU .8 and .9, over all and by shape and framing where the truth tells them."""
    groups: dict[str, list[float]] = {"all": []}
    for row in rows:
        plan = row["label"].get("plan") or {}
        names = ["all", row["label"].get("piece"), plan.get("framing")]
        for name in (n for n in names if n):
            groups.setdefault(name, []).append(row["iou"])
    return {
        name: {f"IoU >= {level}": describe_share(np.array(ious) >= level) for level in (0.8, 0.9)}
        for name, ious in groups.items()
    }


def draw_sheet(rows: list[dict[str, Any]], target: Path, side: int = 300) -> None:
    """Contact sheet: truth green, found red, worst first."""
    tiles = []
    for row in sorted(rows, key=lambda r: float(r["iou"])):
        picture = decode_photo(Path(row["path"]).read_bytes()).pixels
        scale = side / max(picture.shape[:2])
        small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        for curve, colour in ((row["lip"], (0, 255, 0)), (row["curve"], (255, 0, 0))):
            if curve is not None:
                cv2.polylines(small, [np.round(curve * scale * 8).astype(np.int32)], True, colour, 1, 16, 3)
        tile = np.full((side + 18, side, 3), 255, np.uint8)
        tile[: small.shape[0], : small.shape[1]] = small[:side, :side]
        text = f"{row['iou']:.3f} {row['status'][:5]} {row['visible']:.2f} {Path(row['path']).stem[-22:]}"
        cv2.putText(tile, text, (2, side + 13), cv2.FONT_HERSHEY_SIMPLEX, 0.38, (0, 0, 0), 1, 16)
        tiles.append(tile)
    while len(tiles) % 6:
        tiles.append(np.full_like(tiles[0], 255))
    sheet = np.vstack([np.hstack(tiles[i : i + 6]) for i in range(0, len(tiles), 6)])
    cv2.imwrite(str(target), sheet[..., ::-1])


def main() -> None:
    """Print one line a picture and the shares at IoU .8 and .9."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sheet", type=Path, help="write a contact sheet, worst first")
    parser.add_argument("--out", type=Path, help="write the shares by shape and framing as JSON")
    parser.add_argument("--limit", type=int)
    parser.add_argument("--segmenter", type=Path, help="folder of other weights")
    parser.add_argument("--quiet", action="store_true")
    told = parser.parse_args()
    cv2.setNumThreads(1)
    segmenter = load_segmenter(told.segmenter) if told.segmenter is not None else None
    rows = measure_folder(told.folder, told.limit, segmenter)
    for row in rows if not told.quiet else []:
        print(
            f"{row['iou']:.3f} {row['status']:9} {row['visible']:.2f} {row['ms']:5.0f} ms {row['path'].name}"
        )
    ious = np.array([row["iou"] for row in rows])
    for level in (0.8, 0.9, 0.95):
        hits = int((ious >= level).sum())
        low, high = wilson_interval(hits, len(ious))
        print(
            f"IoU >= {level}: {hits} of {len(ious)} = {hits / max(len(ious), 1):.3f} ({low:.3f}-{high:.3f})"
        )
    print(f"median {np.median([row['ms'] for row in rows]):.0f} ms, median IoU {np.median(ious):.4f}")
    if told.out is not None:
        from training.export import find_commit  # brings torch, which measuring does not need

        result = {"commit": find_commit(), "machine": platform.machine(), "shares": group_shares(rows)}
        told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    if told.sheet is not None:
        draw_sheet(rows, told.sheet)


if __name__ == "__main__":
    main()
