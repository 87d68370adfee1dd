"""Measure the diameter from a sheet of paper: ``python -m training.evaluate_size FOLDER [--out FILE]``.

Rendered pictures that hold a whole sheet, pieces whole in the frame; close-ups are left out.
"""

from __future__ import annotations

import argparse
import json
import platform
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from model.photo import decode_photo
from model.piece import find_piece
from training.intervals import describe_share

HOLLOW = ("cup", "sugar bowl", "creamer", "egg cup")
WITHIN = 0.03


def measure_picture(truth_file: Path) -> dict[str, Any] | None:
    """Relative error and relative interval of one picture, None where it holds no whole sheet."""
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    corners = (truth.get("paper") or {}).get("corners")
    if not corners or truth["plan"]["framing"] != "whole":
        return None
    at = np.array(corners)
    if not ((at > 1) & (at < [truth["width"] - 2, truth["height"] - 2])).all():
        return None
    size = find_piece(decode_photo(truth_file.with_suffix(".jpg").read_bytes())).size
    row: dict[str, Any] = {"id": truth_file.stem, "hollow": truth["piece"] in HOLLOW, "error": None}
    if size is not None:
        true_mm = truth["diameter_mm"]
        row["error"] = round(size.diameter_mm / true_mm - 1, 4)
        row["covered"] = size.low_mm <= true_mm <= size.high_mm
        row["half_width"] = round((size.high_mm - size.low_mm) / 2 / true_mm, 4)
    return row


def sum_up(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """How many were answered, and how well."""
    got = [row for row in rows if row["error"] is not None]
    errors = np.array([row["error"] for row in got])
    return {
        "answered": describe_share([row["error"] is not None for row in rows]),
        "within_3_percent": describe_share(np.abs(errors) <= WITHIN),
        "inside_the_stated_bar": describe_share([row["covered"] for row in got]),
        "median_error": round(float(np.median(np.abs(errors))), 4) if got else None,
        "median_half_width": round(float(np.median([r["half_width"] for r in got])), 4) if got else None,
    }


def main() -> None:
    """Print and write the figures, plates and bowls apart from hollowware."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path)
    told = parser.parse_args()
    cv2.setNumThreads(1)
    rows = [row for row in map(measure_picture, sorted(told.folder.glob("*.json"))) if row is not None]
    result = {
        "folder": told.folder.name,
        "machine": platform.machine(),
        **{
            name: sum_up([row for row in rows if row["hollow"] == hollow])
            for name, hollow in (("plates and bowls", False), ("hollowware", True))
            if any(row["hollow"] == hollow and row["error"] is not None for row in rows)
        },
        "rows": rows,
    }
    print(json.dumps({key: value for key, value in result.items() if key != "rows"}, indent=1))
    if told.out is not None:
        told.out.write_text(json.dumps(result) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
