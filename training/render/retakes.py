"""The same scenes with the named step applied, to be rendered again: what "take it again" is worth.

``python -m training.render.retakes PHOTOS --out rows.jsonl``; render with ``batch --manifest rows.jsonl``,
read the new pictures, and compare with ``python -m training.evaluate_retakes``. PHOTOS holds the rows that
``training.evaluate_trim`` writes beside its figures.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from training.json_lines import read_rows, write_rows
from training.render.conditions import SMALL_SHAPES
from training.render.manifest import Row, make_manifest, plan_of
from training.render.pieces import HOLLOW

UNSURE = "cannot tell"
SQUARE_ON_DEG, SIDE_DEG = 25.0, 68.0


def apply_step(row: Row, step: str) -> Row:
    """The row with the step applied; the scene, piece, motif and wear stay.

    Raises
    ------
    ValueError
        For a step that has no meaning here.
    """
    told = row["told"]
    shape = plan_of(row).shape
    whole: dict[str, Any] = {"framing": "whole", "cover": None, "stack": 1, "fill": 0.92}
    whole["tilt_deg"] = SIDE_DEG if shape in HOLLOW else SQUARE_ON_DEG
    changes: dict[str, dict[str, Any]] = {
        "whole piece": whole,
        "paper beside it": {"paper": "A4", "paper_in_frame": shape not in SMALL_SHAPES},
        "lamps off": {"lights": ["D65"] * 3, "strengths": [0.96, 0.02, 0.02]},
        "closer": {"framing": "close-up", "cover": None},
        "sharper": {"phone": "steady"},
        "paper in the trim": {"held_paper": True},
        "turn it": {"turn_deg": 90.0},
        "low side light": {"strengths": [0.1, 0.02, 0.88]},
    }
    if step not in changes:
        raise ValueError(f"expected one of {sorted(changes)}, got {step!r}")
    number = row["id"].rpartition("-")[2]
    again = {
        "id": f"{row['set']}-retake-{number}",
        "told": told | changes[step],
        "role": "retake",
        "step": step,
    }
    return {**row, **again}


def list_retakes(photos: list[dict[str, Any]]) -> list[Row]:
    """Rows for every photo whose verdict was "cannot tell" and named a step."""
    unsure = [p for p in photos if p["verdict"] == UNSURE and p.get("step")]
    if not unsure:
        return []
    name, _, _ = unsure[0]["photo"].rpartition("-")
    count = 1 + max(int(p["photo"].rpartition("-")[2]) for p in unsure)
    rows = {row["id"]: row for row in make_manifest(name, count)}
    return [apply_step(rows[p["photo"]], p["step"]) for p in unsure]


def main() -> None:
    """Write the rows to render."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("photos", type=Path, help="NAME.photos.jsonl.gz of the trim exam")
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    photos = read_rows(told.photos)
    write_rows(told.out, list_retakes(photos))


if __name__ == "__main__":
    main()
