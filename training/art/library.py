"""The motif library: thousands of seeded recipes a split, drawn when looked at, disjoint by source."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal, overload

import numpy as np

from training.art import courses, elements
from training.art.compose import draw_tile
from training.art.friezes import frieze_of, shortest_period
from training.art.glyphs import GlyphCache, load_glyphs
from training.art.motif_art import GROUPS, Group, Motif, Part, Recipe, Style

Split = Literal["train", "validation", "exam"]
SPLIT_SEEDS: dict[str, int] = {"train": 101, "validation": 202, "exam": 303}
DEFAULT_COUNTS: dict[str, int] = {"train": 24000, "validation": 1500, "exam": 2500}
CONNECTORS = ("line", "double", "wave", "dots", "swag")
RAILS = (
    "lines",
    "dots",
    "dashes",
    "scallops",
    "course:rope",
    "course:zigzag",
    "course:scallop",
    "course:beads",
)
# Shares of the makings; with a cache, every third motif is still of our own drawing.
PROCEDURAL_SHARE, COURSE_SHARE, SPACED_SHARE = 0.3, 0.45, 0.15


class MotifList(Sequence[Motif]):
    """Motifs drawn on demand: ``motifs[i]`` always draws the same one, in any process."""

    def __init__(self, split: str, indices: Sequence[int], glyphs: GlyphCache | None) -> None:
        self.split, self.indices, self.glyphs = split, indices, glyphs
        self._order = shuffled_glyphs(split, glyphs)

    def __len__(self) -> int:
        return len(self.indices)

    @overload
    def __getitem__(self, index: int) -> Motif: ...
    @overload
    def __getitem__(self, index: slice) -> MotifList: ...
    def __getitem__(self, index: int | slice) -> Motif | MotifList:
        if isinstance(index, slice):
            return MotifList(self.split, self.indices[index], self.glyphs)
        number = self.indices[index]
        recipe = make_recipe(self.split, number, self._order)
        return draw_motif(f"{self.split}-{number:05d}", recipe, self.glyphs)


def load_motifs(split: Split, limit: int | None = None, cache: Path | str | None = None) -> MotifList:
    """Motifs of a split; the same split and index always give the same motif.

    Parameters
    ----------
    split
        "train", "validation" (another icon set) or "exam" (sign fonts). No glyph, and no ornament of our
        own, serves two splits.
    limit
        How many; default 24,000, 1,500 and 2,500.
    cache
        Art cache of ``training.art.collect``; default the file that RIMLIGHT_ART names; without either,
        all motifs are of our own drawing.
    """
    if split not in SPLIT_SEEDS:
        raise ValueError(f"split is one of {tuple(SPLIT_SEEDS)}, got {split}")
    count = DEFAULT_COUNTS[split] if limit is None else limit
    return MotifList(split, range(count), load_glyphs(cache))


def draw_motif(motif_id: str, recipe: Recipe, glyphs: GlyphCache | None) -> Motif:
    """Draw one recipe as a motif: its tile cut to the smallest repeat, its frieze group measured."""
    tile = draw_tile(recipe, glyphs)
    tile = np.ascontiguousarray(tile[:, : shortest_period(tile)])
    return Motif(
        id=motif_id,
        name=_name(recipe, glyphs),
        source=_source(recipe, glyphs),
        tile=tile,
        layout=recipe.layout,
        symmetry=frieze_of(tile),
        variant=recipe.main.style,
        recipe=recipe,
    )


def make_recipe(split: str, index: int, glyph_order: Sequence[int]) -> Recipe:
    """The seeded recipe of one identity; glyphs are dealt in turn, so that each is used before any twice."""
    rng = np.random.default_rng([SPLIT_SEEDS[split], index])
    from_glyphs = len(glyph_order) > 0 and (split != "train" or rng.random() >= PROCEDURAL_SHARE)
    if from_glyphs:
        kinds = [f"glyph:{glyph_order[index % len(glyph_order)]}"]
        seconds = [f"glyph:{rng.choice(np.asarray(glyph_order))}", *own_elements(split)]
    else:
        kinds = _own_kinds(split, rng)
        seconds = list(own_elements(split))
    kind = str(rng.choice(kinds))
    return _dress(kind, seconds, rng)


def own_elements(split: str) -> tuple[str, ...]:
    """Ornaments of our own that serve a split."""
    if split == "train":
        held = {name for names in elements.HELD_OUT.values() for name in names}
        return tuple(name for name in elements.ELEMENTS if name not in held)
    return elements.HELD_OUT[split]


def own_courses(split: str) -> tuple[str, ...]:
    """Running ornaments of our own that serve a split."""
    if split == "train":
        held = {name for names in courses.HELD_OUT.values() for name in names}
        return tuple(name for name in courses.COURSES if name not in held)
    return courses.HELD_OUT[split]


def _own_kinds(split: str, rng: np.random.Generator) -> list[str]:
    if rng.random() < COURSE_SHARE:
        return [f"course:{name}" for name in own_courses(split)]
    return [name for name in own_elements(split) if name != "dot"]


def _dress(kind: str, seconds: Sequence[str], rng: np.random.Generator) -> Recipe:
    """Choose everything else about a border whose main part is ``kind``."""
    spaced = rng.random() < SPACED_SHARE and not kind.startswith("course:")
    course = kind.startswith("course:")
    group: Group = "p1" if course or rng.random() < 0.45 else GROUPS[int(rng.integers(len(GROUPS)))]
    second = None
    if not course and rng.random() < 0.4:
        second = Part(str(rng.choice(list(seconds))), _style(rng), float(rng.uniform(0.15, 0.7)))
    turn = float(rng.choice([0.0, 0.0, 0.0, 180.0, 90.0, rng.uniform(-40, 40)]))
    return Recipe(
        seed=int(rng.integers(2**31)),
        main=Part(kind, _style(rng), float(rng.uniform(0.55, 1.0)), turn, int(rng.integers(2, 5))),
        second=second,
        connector=str(rng.choice(CONNECTORS)) if not course and not spaced and rng.random() < 0.4 else None,
        rail=str(rng.choice(RAILS)) if not spaced and rng.random() < 0.35 else None,
        group=group if not spaced else ("p1" if rng.random() < 0.6 else "p1m1"),
        gap_share=float(rng.uniform(0.15, 0.5) if spaced else rng.uniform(0.02, 0.5)),
        layout="spaced" if spaced else "continuous",
        mirrored=bool(rng.random() < 0.3),
        thicken_px=int(rng.choice([0, 0, 0, 1, -1])) if course else 0,
    )


def _style(rng: np.random.Generator) -> Style:
    roll = rng.random()
    return "filled" if roll < 0.55 else "open" if roll < 0.85 else "hatched"


def shuffled_glyphs(split: str, glyphs: GlyphCache | None) -> list[int]:
    """Indices of the glyphs of a split, in its own fixed order."""
    if glyphs is None:
        return []
    rng = np.random.default_rng(SPLIT_SEEDS[split])
    return [int(index) for index in rng.permutation(glyphs.indices(split))]


def _name(recipe: Recipe, glyphs: GlyphCache | None) -> str:
    kind, _, detail = recipe.main.kind.partition(":")
    main = glyphs.names[int(detail)] if kind == "glyph" and glyphs else (detail or kind)
    extras = [part for part in (recipe.connector, recipe.rail) if part]
    return " with ".join([main.replace("-", " "), *extras[:1]])


def _source(recipe: Recipe, glyphs: GlyphCache | None) -> str:
    kind, _, detail = recipe.main.kind.partition(":")
    return glyphs.sets[int(detail)] if kind == "glyph" and glyphs else "procedural"
