"""The second exam and the second fit set, row by row; any first rows of them are a balanced sample.

The exam goes motif by motif: gallery photos in clear conditions on different pieces, queries in any
conditions, a stranger, a look-alike, and pieces for the trim alone, among them pairs that differ in the
colours of the surroundings only. Its motifs, rooms and seeds serve nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from training.render.conditions import SIDE, Table, Told
from training.render.decoration import METALS

Row = dict[str, Any]
EXAM_SEED, FIT_SEED = 6_000_000, 7_000_000
# numbers of the exam split that the first exam (0-42, 2000-2023) and the strips' exam (0-229) do not use
FIT_POOL, FIT_MOTIFS = "validation", 1500
KNOWN_FROM, STRANGERS_FROM = 1300, 1600
GALLERY_PHOTOS, QUERIES = 3, 4
VARIANT_EVERY = 3  # in every third block the motif is known in two variants


def exam_rows() -> Iterator[Row]:
    """Rows without end: ``seed``, ``role``, ``difficulty``, ``told`` and the labels of a motif."""
    table, made = Table(EXAM_SEED), 0
    rng = np.random.default_rng(EXAM_SEED)
    block = 0
    while True:
        for row in _block(block, table, rng):
            seed = EXAM_SEED + made if "pair" not in row else EXAM_SEED + made - 1
            yield {"seed": seed, **row}
            made += 1
        block += 1


def _block(block: int, table: Table, rng: np.random.Generator) -> Iterator[Row]:
    """One motif with its gallery, its queries, and what is asked beside them."""
    known = f"exam-{KNOWN_FROM + block:05d}"
    two = block % VARIANT_EVERY == VARIANT_EVERY - 1
    variants = ([known] * GALLERY_PHOTOS) + ([f"{known}/variant"] * 2 if two else [])
    yield from _gallery(known, variants, table, rng)
    asked = [known] * QUERIES + ([f"{known}/variant"] * 2 if two else [])
    for motif_id in asked:
        yield _asked("query", known, motif_id, table, rng, paint=rng.random() < 0.12)
    yield _asked("unknown", None, f"exam-{STRANGERS_FROM + block:05d}", table, rng)
    if not two:
        yield _asked("look-alike", None, f"{known}/variant", table, rng)
    yield from _trim_rows(table, rng)


def _gallery(known: str, motif_ids: list[str], table: Table, rng: np.random.Generator) -> Iterator[Row]:
    """Clear photos on different shapes, at most one from the side, hardly worn."""
    shapes: list[str] = []
    for motif_id in motif_ids:
        told = table.conditions(rng, "clear")
        while told["shape"] in shapes or (told["shape"] in SIDE and any(s in SIDE for s in shapes)):
            told = table.conditions(rng, "clear")
        shapes.append(told["shape"])
        told |= {"trim": "border", "motif_id": motif_id, "decal": False, "paper": None}
        told |= table.metal("sound" if rng.random() < 0.8 else "rubbed")
        yield _row("gallery", "clear", told, known, motif_id)


def _asked(
    role: str,
    known: str | None,
    motif_id: str,
    table: Table,
    rng: np.random.Generator,
    paint: bool = False,
) -> Row:
    difficulty = str(table.deal("difficulty"))
    told = table.conditions(rng, difficulty) | {"motif_id": motif_id}
    told |= _painted_motif(told, table, rng) if paint else {"trim": "border", **table.metal()}
    return _row(role, difficulty, told, known, motif_id)


def _painted_motif(told: Told, table: Table, rng: np.random.Generator) -> Told:
    paint = table.paint(str(told["glaze"]), rng)
    return {"trim": "paint", "metal": "none", "wear": "sound", "border_colour": paint}


def lay_paint(told: Told, table: Table, rng: np.random.Generator) -> Told:
    """A painted border or, one time in three, painted lines alone, on the piece of ``told``."""
    paint, lines_only = table.paint(str(told["glaze"]), rng), rng.random() < 0.33
    laid: Told = {"trim": "paint", "metal": "none", "wear": "sound"}
    laid |= {"border_colour": paint} if not lines_only else {"border_colour": None, "motif_id": None}
    return laid | {
        "edge_colour": paint if lines_only or rng.random() < 0.5 else None,
        "verge_colour": paint if rng.random() < 0.4 else None,
    }


def _not_metal(told: Told, table: Table, rng: np.random.Generator) -> Told:
    plain: Told = {"trim": "plain", "metal": "none", "wear": "sound"}
    return plain if rng.random() < 0.2 else lay_paint(told, table, rng)


def _trim_rows(table: Table, rng: np.random.Generator) -> Iterator[Row]:
    """Metal lines, paint, a pair in other surroundings, now and then a plain piece."""
    difficulty = str(table.deal("difficulty"))
    yield _row("trim", difficulty, table.conditions(rng, difficulty) | {"trim": "lines", **table.metal()})
    for _ in range(2):
        difficulty = str(table.deal("difficulty"))
        told = table.conditions(rng, difficulty)
        yield _row("trim", difficulty, told | _not_metal(told, table, rng))
    difficulty = "clear" if rng.random() < 0.7 else "middling"
    told = table.conditions(rng, difficulty) | {"trim": "border", "vivid": 0.7, **table.metal("sound")}
    yield _row("trim", difficulty, told)
    tables = [
        kind for kind in ("coloured cloth", "checks", "floral", "wood", "dark") if kind != told["table"]
    ]
    other = told | {"table": tables[int(rng.integers(len(tables)))]}
    yield _row("flip", difficulty, other | {"colours_seed": int(rng.integers(1, 2**31))}) | {"pair": -1}


def _row(
    role: str, difficulty: str, told: Told, known: str | None = None, motif_id: str | None = None
) -> Row:
    row: Row = {"role": role, "difficulty": difficulty, "told": told}
    if motif_id is not None and role != "trim":
        changed = motif_id.partition("/")[2]
        row["labels"] = {"motif": known, "variant": changed or "first"} if known else {"motif": None}
    return row


def fit_rows() -> Iterator[Row]:
    """Groups of five scenes without end: one scene in gold, platinum and paint, and two others."""
    table, rng, made = Table(FIT_SEED), np.random.default_rng(FIT_SEED), 0
    while True:
        yield from _triple(table, rng, FIT_SEED + made)
        for number in (3, 4):
            difficulty = str(table.deal("difficulty"))
            told = table.conditions(rng, difficulty)
            if number == 4 and rng.random() < 0.35:
                told |= _not_metal(told, table, rng)
            else:
                told |= {"trim": "border" if rng.random() < 0.8 else "lines", **table.metal()}
            yield {"seed": FIT_SEED + made + number, **_row("fit", difficulty, told)}
        made += 5


def _triple(table: Table, rng: np.random.Generator, seed: int) -> Iterator[Row]:
    """The same scene, motif and lines in gold, in platinum and in paint."""
    difficulty = str(table.deal("difficulty"))
    told = table.conditions(rng, difficulty) | {"motif_id": f"{FIT_POOL}-{int(rng.integers(FIT_MOTIFS)):05d}"}
    lines_only, edge, verge = rng.random() < 0.2, rng.random() < 0.6, rng.random() < 0.45
    if lines_only:
        told["motif_id"] = None
    worn, alloy = str(table.deal("wear")), str(table.deal("alloy"))
    for colour in ("gold", "platinum", table.paint(str(told["glaze"]), rng)):
        metal = colour in METALS
        own = told | {"trim": ("lines" if lines_only else "border") if metal else "paint"}
        own |= {"metal": colour if metal else "none", "wear": worn if metal else "sound"}
        own |= {"border_colour": None if lines_only else colour}
        own |= {
            "edge_colour": colour if edge or lines_only else None,
            "verge_colour": colour if verge else None,
        }
        own |= {"alloy": alloy} if colour == "gold" else {}
        yield {"seed": seed, **_row("fit", difficulty, own)}
