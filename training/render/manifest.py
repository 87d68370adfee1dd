"""Lists of scenes to render: one JSON row a scene, from which it is rendered again at any time.

A row holds ``id``, ``seed``, ``set``, ``style``, ``role`` and ``told``, the plan's fields that are
fixed whatever the seed says.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from training.json_lines import write_rows
from training.render.exam_rows import EXAM_SEED, FIT_POOL, FIT_SEED, exam_rows, fit_rows
from training.render.motif_source import find_motif, list_motif_ids
from training.render.plan import ScenePlan, draw_plan

Row = dict[str, Any]
FIRST_SEEDS = {"exam": 1_000_000, "fit": 2_000_000, "samples": 3_000_000, "gallery": 4_000_000}
FIRST_SEEDS |= {"exam-2": EXAM_SEED, "fit-2": FIT_SEED}
POOLS = {"exam": "exam", "fit": "validation", "samples": "demo", "gallery": "demo"}
POOLS |= {"exam-2": "exam", "fit-2": FIT_POOL}
DEALT = {"exam-2": exam_rows, "fit-2": fit_rows}  # sets whose rows tell nearly everything
SCENES_PER_EXAM_MOTIF = ("gallery", "gallery", "query", "query")
OUTSIDE_MOTIFS_FROM = 2000  # exam motifs from this number on are never shown to a gallery
UNKNOWN_PER_MOTIF, TRIM_SCENES_PER_MOTIF = 0.66, 2
_DEMO_STATES = (("gold", "sound"), ("platinum", "sound"), ("gold", "broken"), ("platinum", "broken"))


def make_manifest(name: str, count: int) -> list[Row]:
    """Rows of a set: ``exam``, ``fit``, ``samples``, ``gallery``, ``exam-2`` or ``fit-2``."""
    if name in DEALT:
        dealt = islice(DEALT[name](), count)
        named = ({"id": f"{name}-{index:05d}", "set": name, "style": "exam"} for index in range(count))
        return [head | row for head, row in zip(named, dealt, strict=True)]
    makers = {"exam": _exam_rows, "fit": _fit_rows, "samples": _demo_rows, "gallery": _demo_rows}
    rows = []
    for index, told in enumerate(makers[name](name, count)):
        role = told.pop("role", name)
        style = "album" if POOLS[name] == "demo" else "exam"
        seed = FIRST_SEEDS[name] + index
        rows.append(
            {
                "id": f"{name}-{index:05d}",
                "seed": seed,
                "set": name,
                "style": style,
                "role": role,
                "told": told,
            }
        )
    return rows


def _fit_rows(name: str, count: int) -> Iterator[Row]:
    for _ in range(count):
        yield {}


def _exam_rows(name: str, count: int) -> Iterator[Row]:
    """Motif by motif, so that a manifest cut short still has whole motifs; others in between."""
    rng = np.random.default_rng(FIRST_SEEDS[name])
    made = motif = 0
    outside = OUTSIDE_MOTIFS_FROM
    while made < count:
        block: list[Row] = [{"role": role} for role in SCENES_PER_EXAM_MOTIF]
        for row in block:
            row |= {"motif_id": f"exam-{motif:05d}", "trim": "paint" if rng.random() < 0.12 else "border"}
            if row["role"] == "gallery":
                row["framing"] = "whole"
        motif += 1
        if rng.random() < UNKNOWN_PER_MOTIF:
            block.append({"role": "unknown", "trim": "border", "motif_id": f"exam-{outside:05d}"})
            outside += 1
        for _ in range(TRIM_SCENES_PER_MOTIF):
            block.append(
                {"role": "trim", "trim": str(rng.choice(["lines", "paint", "plain"], p=[0.5, 0.35, 0.15]))}
            )
        yield from block[: count - made]
        made += len(block)


def _demo_rows(name: str, count: int) -> Iterator[Row]:
    """Demo motifs in turn; metals, states and shapes spread over them."""
    ids = list_motif_ids("demo")
    shapes = (
        "rimmed plate",
        "coupe plate",
        "cup",
        "oval platter",
        "scalloped plate",
        "sugar bowl",
        "square plate",
    )
    shift = 0 if name == "samples" else 3
    for index in range(count):
        metal, wear = (
            _DEMO_STATES[(index + index // len(ids) + shift) % 4]
            if index % 3 == 0
            else _DEMO_STATES[index % 2]
        )
        told: Row = {
            "motif_id": ids[index % len(ids)],
            "trim": "border",
            "metal": metal,
            "wear": wear,
            "shape": shapes[(index * 2 + index // len(ids) + shift) % len(shapes)],
        }
        if name == "samples" and index % 8 == 7:
            told |= {"trim": "paint", "metal": "none", "wear": "sound"}
        yield told


def plan_of(row: Row) -> ScenePlan:
    """The scene of a row."""
    ids = list_motif_ids(POOLS[row["set"]])
    return draw_plan(row["seed"], ids, row["style"], **row["told"])


def motif_of(plan: ScenePlan) -> dict[str, Any]:
    """The motifs a plan needs, by id."""
    return {} if plan.motif_id is None else {plan.motif_id: find_motif(plan.motif_id)}


def main() -> None:
    """Write a manifest file."""
    parser = argparse.ArgumentParser(description="Write a list of scenes to render.")
    parser.add_argument("--set", choices=tuple(FIRST_SEEDS), required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    write_rows(told.out, make_manifest(told.set, told.count))


if __name__ == "__main__":
    main()
