"""Where scenes get their motifs: the demo ware's own, or the motif library by split."""

from __future__ import annotations

from functools import cache

from training.art.demo_motifs import load_demo_motifs
from training.art.library import DEFAULT_COUNTS, MotifList, load_motifs
from training.art.motif_art import Motif


@cache
def _demo() -> dict[str, Motif]:
    return {motif.id: motif for motif in load_demo_motifs()}


@cache
def _split(name: str) -> MotifList:
    return load_motifs(name)  # type: ignore[arg-type]


def find_motif(motif_id: str) -> Motif:
    """A motif by id: ``demo/marram/full``, ``exam-00017`` …

    Raises
    ------
    KeyError
        For an id that neither the demo nor the library has.
    """
    if motif_id.startswith("demo/"):
        return _demo()[motif_id]
    split, _, number = motif_id.rpartition("-")
    if split not in DEFAULT_COUNTS or not number.isdigit():
        raise KeyError(f"no motif {motif_id}: expected demo/NAME or SPLIT-NUMBER")
    return _split(split)[int(number)]


def list_motif_ids(pool: str, count: int | None = None) -> tuple[str, ...]:
    """Ids of a pool: ``demo`` or a split of the library."""
    if pool == "demo":
        return tuple(_demo())[:count]
    return tuple(f"{pool}-{number:05d}" for number in range(count or DEFAULT_COUNTS[pool]))
