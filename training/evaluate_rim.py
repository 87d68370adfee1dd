"""Measure the rim finder on photos: ``python -m training.evaluate_rim FOLDER [--out FILE] [--sheet FILE]``.

A folder holds either ``labels.csv`` (hand-labelled ellipses: cx, cy, full axes, angle) or, beside each
picture, a truth file ``NAME.json`` with the lip as polygon. The latter are read through the whole chain.
"""

from __future__ import annotations

import argparse
import csv
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from tqdm import tqdm

from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.photo import decode_photo
from model.piece import find_piece
from model.piece_mask import Segmenter, load_segmenter
from training.exam_readings import PhotoReading, add_options, list_photos, read_told
from training.exam_tables import describe_errors, describe_run, write_result
from training.intervals import describe_share
from training.rim_causes import causes_of, groups_of

FloatArray = npt.NDArray[np.float64]
Row = dict[str, Any]
LEVELS = (0.8, 0.9, 0.95)
FAILED_BELOW = 0.8
WRITTEN = ("iou", "status", "visible", "strip", "ms")  # of a row, beside its name and causes


def read_labels(folder: Path) -> Iterator[tuple[Path, FloatArray, dict[str, Any]]]:
    """Each hand-labelled picture with the polygon of its lip and what else the label says."""
    with (folder / "labels.csv").open(newline="", encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            cx, cy, major, minor, angle = (float(row[k]) for k in ("cx", "cy", "major", "minor", "angle_deg"))
            lip = Ellipse(cx, cy, major / 2, minor / 2, angle)
            yield folder / row["file"], sample_ellipse(lip), dict(row)


def read_truths(folder: Path) -> Iterator[tuple[Path, FloatArray, dict[str, Any]]]:
    """Each picture with the polygon of its lip and what else the truth says."""
    if (folder / "labels.csv").exists():
        yield from read_labels(folder)
        return
    for path in sorted(
        p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".jpeg", ".png", ".webp")
    ):
        truth_file = path.with_suffix(".json")
        truth = json.loads(truth_file.read_text(encoding="utf-8")) if truth_file.exists() else {}
        polygon = find_lip(truth)
        if polygon is not None:
            yield path, polygon, truth


def find_lip(truth: dict[str, Any]) -> FloatArray | None:
    """The lip polygon of a truth file."""
    curve = (truth.get("rim") or {}).get("curve")
    return np.array(curve, dtype=np.float64) if curve else None


def measure_folder(folder: Path, limit: int | None = None, segmenter: Segmenter | None = None) -> list[Row]:
    """One row a picture by the rim finder alone: IoU of the lip, status, visible share, milliseconds."""
    rows = []
    for path, lip, label in list(read_truths(folder))[:limit]:
        photo = decode_photo(path.read_bytes())
        start = time.perf_counter()
        piece = find_piece(photo, segmenter=segmenter)
        spent = (time.perf_counter() - start) * 1000
        curve = piece.rim.curve if piece.rim is not None else None
        share = piece.rim.visible_share if piece.rim is not None else 0.0
        rows.append(
            {"path": path, "iou": polygon_iou(curve, lip) if curve is not None else 0.0}
            | {
                "status": piece.status,
                "visible": share,
                "ms": spent,
                "curve": curve,
                "lip": lip,
                "label": label,
            }
            | {"strip": None}
        )
    return rows


def row_of(found: PhotoReading, folder: Path) -> Row | None:
    """The row of a photo that was read the whole way; None where the truth has no lip."""
    lip = find_lip(found.truth)
    if lip is None:
        return None
    piece = (found.reading or {}).get("piece") or {"status": "not found", "rim": None}
    rim = piece["rim"]
    curve = np.array(rim["curve"], dtype=np.float64) if rim and rim["curve"] else None
    return {
        "path": folder / f"{found.name}.jpg",
        "iou": polygon_iou(curve, lip) if curve is not None else 0.0,
        "status": piece["status"],
        "visible": rim["visible_share"] if rim else 0.0,
        "strip": bool(found.reading and found.reading["strip_first_column_deg"] is not None),
        "size": piece.get("size"),
        "ms": ((found.reading or {}).get("timing_ms") or {}).get("piece") or found.milliseconds,
        "curve": curve,
        "lip": lip,
        "label": found.truth,
    }


def group_shares(rows: list[Row]) -> dict[str, Any]:
    """Shares of rows at each IoU, over all and by what the truth tells of the scene."""
    groups: dict[str, list[float]] = {"all": []}
    for row in rows:
        for name in ("all", *groups_of(row["label"])):
            groups.setdefault(name, []).append(row["iou"])
    return {
        name: {f"IoU >= {level}": describe_share(np.array(ious) >= level) for level in LEVELS}
        for name, ious in groups.items()
    }


def count_causes(rows: list[Row]) -> dict[str, Any]:
    """For each circumstance: how many failures have it, and the share of failures among photos that do."""
    held: dict[str, list[bool]] = {}
    for row in rows:
        for cause in causes_of(row["label"]) or ["nothing special"]:
            held.setdefault(cause, []).append(row["iou"] < FAILED_BELOW)
    return {
        cause: {"failures": sum(failed), "failed": describe_share(failed)}
        for cause, failed in sorted(held.items(), key=lambda pair: -sum(pair[1]))
    }


def score_diameters(rows: list[Row]) -> dict[str, Any]:
    """The lip's diameter from paper against the truth: relative errors, and the stated bars."""
    known = [row for row in rows if row.get("size") and row["size"]["from"] == "paper"]
    errors = [row["size"]["diameter_mm"] / row["label"]["diameter_mm"] - 1 for row in known]
    inside = [row["size"]["low_mm"] <= row["label"]["diameter_mm"] <= row["size"]["high_mm"] for row in known]
    with_paper = [row for row in rows if row["label"].get("paper")]
    return {
        "measured where paper is": describe_share([bool(row.get("size")) for row in with_paper]),
        "within 3 %": describe_share(np.abs(errors) <= 0.03),
        "inside the stated bar": describe_share(inside),
        "relative error": describe_errors(np.abs(errors)),
    }


def draw_sheet(rows: list[Row], target: Path, side: int = 300, most: int = 120) -> None:
    """Contact sheet: truth green, found red, worst first."""
    tiles = []
    for row in sorted(rows, key=lambda r: float(r["iou"]))[:most]:
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
    if not tiles:
        return
    while len(tiles) % 6:
        tiles.append(np.full_like(tiles[0], 255))
    sheet = np.vstack([np.hstack(tiles[i : i + 6]) for i in range(0, len(tiles), 6)])
    target.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(target), sheet[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 80])


def summarise(rows: list[Row]) -> dict[str, Any]:
    """All tables of the rim exam."""
    result: dict[str, Any] = {"shares": group_shares(rows)}
    if rows and rows[0]["label"].get("plan"):
        result["causes"] = count_causes(rows)
        result["diameter from paper"] = score_diameters(rows)
        result["a strip was unrolled"] = describe_share([bool(row["strip"]) for row in rows])
    result["median ms"] = round(float(np.median([row["ms"] for row in rows])), 1) if rows else None
    result["median IoU"] = round(float(np.median([row["iou"] for row in rows])), 4) if rows else None
    return result


def main() -> None:
    """Print the shares; write the result and the sheet of failures."""
    parser = argparse.ArgumentParser(description=__doc__)
    add_options(parser)
    parser.add_argument("--sheet", type=Path, help="write a contact sheet of the failures, worst first")
    parser.add_argument("--out", type=Path, help="write the tables and one row a photo as JSON")
    parser.add_argument("--segmenter", type=Path, help="folder of other weights: the rim finder alone is run")
    told = parser.parse_args()
    cv2.setNumThreads(1)
    if told.segmenter is not None or not list_photos(told.folder, 1):
        segmenter = load_segmenter(told.segmenter) if told.segmenter is not None else None
        rows = measure_folder(told.folder, told.limit, segmenter)
    else:
        rows = [row for found in tqdm(read_told(told)) if (row := row_of(found, told.folder)) is not None]
    result = describe_run(told.folder, len(rows)) | summarise(rows)
    print(json.dumps(result, indent=1))
    if told.out is not None:
        photos = [
            {"photo": row["path"].stem, "causes": causes_of(row["label"]), **{k: row[k] for k in WRITTEN}}
            for row in rows
        ]
        write_result(told.out, result, photos)
    if told.sheet is not None:
        draw_sheet([row for row in rows if row["iou"] < FAILED_BELOW], told.sheet)


if __name__ == "__main__":
    main()
