"""Where scenes get their motifs: the demo ware's own, or the motif library by split."""

from __future__ import annotations

import zlib
from dataclasses import replace
from functools import cache

import numpy as np

from training.art.demo_motifs import load_demo_motifs
from training.art.family import family_of
from training.art.library import DEFAULT_COUNTS, MotifList, load_motifs
from training.art.motif_art import Motif


@cache
def _demo() -> dict[str, Motif]:
    return {motif.id: motif for motif in load_demo_motifs()}


@cache
def _split(name: str) -> MotifList:
    return load_motifs(name)  # type: ignore[arg-type]


def find_motif(motif_id: str) -> Motif:
    """A motif by id: ``demo/marram/full``, ``exam-00017``, ``exam-00017/variant`` (a look-alike of it) …

    Raises
    ------
    KeyError
        For an id that neither the demo nor the library has.
    """
    if motif_id.startswith("demo/"):
        return _demo()[motif_id]
    if motif_id.endswith("/variant"):
        return _draw_variant(motif_id.removesuffix("/variant"))
    split, _, number = motif_id.rpartition("-")
    if split not in DEFAULT_COUNTS or not number.isdigit():
        raise KeyError(f"no motif {motif_id}: expected demo/NAME or SPLIT-NUMBER")
    return _split(split)[int(number)]


@cache
def _draw_variant(motif_id: str) -> Motif:
    """The first look-alike of a motif's family that is neither the motif mirrored nor turned over."""
    rng = np.random.default_rng(zlib.crc32(motif_id.encode()))
    family = family_of(find_motif(motif_id), rng, limit=4)
    apart = [motif for motif in family if not motif.id.endswith(("/mirrored", "/turned"))]
    return replace(apart[0], id=f"{motif_id}/variant")


def list_motif_ids(pool: str, count: int | None = None) -> tuple[str, ...]:
    """Ids of a pool: ``demo`` or a split of the library."""
    if pool == "demo":
        return tuple(_demo())[:count]
    return tuple(f"{pool}-{number:05d}" for number in range(count or DEFAULT_COUNTS[pool]))
