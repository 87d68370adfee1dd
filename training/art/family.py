"""Look-alikes of a motif: the same stamp but for one thing, as makers and their imitators varied it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import get_args

import numpy as np

from training.art.glyphs import GlyphCache, load_glyphs
from training.art.library import CONNECTORS, RAILS, draw_motif, own_elements, shuffled_glyphs
from training.art.motif_art import GROUPS, Motif, Part, Recipe, Style

Change = Callable[[Recipe, np.random.Generator, tuple[str, ...]], Recipe | None]
# Tiles whose correlation is above this look the same even to a careful eye: no sibling.
SAME_TILE = 0.97


def family_of(
    motif: Motif, rng: np.random.Generator, limit: int = 6, glyphs: GlyphCache | None = None
) -> list[Motif]:
    """Siblings that differ from ``motif`` in one thing each: open or filled, mirrored, reduced, an element
    changed, the spacing changed, a rail or connector added or dropped, a thinner line, another group.

    The ids are the motif's id and the change; the same motif and change under another generator may differ
    in detail, so a caller that needs stable ids seeds the generator by the motif. Empty for a motif
    without a recipe.
    """
    if motif.recipe is None:
        return []
    glyphs = glyphs or load_glyphs()
    kinds = _kinds_of_split(motif.id.partition("-")[0], glyphs)
    siblings: list[Motif] = []
    for index in rng.permutation(len(CHANGES)):
        if len(siblings) >= limit:
            break
        name, change = CHANGES[index]
        recipe = change(motif.recipe, rng, kinds)
        if recipe is None or recipe == motif.recipe:
            continue
        sibling = draw_motif(f"{motif.id}/{name}", recipe, glyphs)
        if all(not _looks_same(sibling, other) for other in (motif, *siblings)):
            siblings.append(sibling)
    return siblings


def _kinds_of_split(split: str, glyphs: GlyphCache | None) -> tuple[str, ...]:
    """What a changed element may become: ornaments and glyphs of the motif's own split only."""
    if split not in ("train", "validation", "exam"):
        return own_elements("train")
    return (*own_elements(split), *(f"glyph:{index}" for index in shuffled_glyphs(split, glyphs)[:400]))


def _looks_same(a: Motif, b: Motif) -> bool:
    """The same drawing at any shift and at its own period; another spacing is another look."""
    if a.layout != b.layout or abs(a.tile.shape[1] - b.tile.shape[1]) > 0.04 * a.tile.shape[1]:
        return False
    width = min(a.tile.shape[1], b.tile.shape[1])
    x, y = a.tile[:, :width] - a.tile.mean(), b.tile[:, :width] - b.tile.mean()
    spectrum = np.fft.rfft(x, axis=1) * np.conj(np.fft.rfft(y, axis=1))
    shifts = np.fft.irfft(spectrum.sum(0), width)
    return bool(shifts.max() > SAME_TILE * np.sqrt(max(float((x * x).sum() * (y * y).sum()), 1e-12)))


def _style(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    others: list[Style] = [style for style in get_args(Style) if style != recipe.main.style]
    if recipe.main.kind.startswith("course:"):
        return replace(recipe, thicken_px=1 if recipe.thicken_px <= 0 else -1)
    return replace(recipe, main=replace(recipe.main, style=others[int(rng.integers(len(others)))]))


def _mirror(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    return replace(recipe, mirrored=not recipe.mirrored)


def _reduce(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    """Fewer parts, as on small pieces."""
    if recipe.second is not None:
        return replace(recipe, second=None)
    if recipe.rail is not None:
        return replace(recipe, rail=None)
    return replace(recipe, connector=None)


def _fill_out(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    """One part more."""
    if recipe.second is None and not recipe.main.kind.startswith("course:"):
        return replace(
            recipe, second=Part(str(rng.choice(list(kinds))), "filled", float(rng.uniform(0.2, 0.5)))
        )
    if recipe.rail is None and recipe.layout == "continuous":
        return replace(recipe, rail=str(rng.choice(RAILS)))
    return None


def _swap_second(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    if recipe.second is None:
        return None
    return replace(recipe, second=replace(recipe.second, kind=str(rng.choice(list(kinds)))))


def _space(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    if recipe.main.kind.startswith("course:"):
        return None
    factor = float(rng.choice([0.5, 1.8]))
    return replace(recipe, gap_share=recipe.gap_share * factor + (0.12 if factor > 1 else 0))


def _turn(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    if recipe.main.kind.startswith("course:"):
        return None
    return replace(recipe, main=replace(recipe.main, turn_deg=(recipe.main.turn_deg + 180) % 360))


def _regroup(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    if recipe.layout == "spaced" or recipe.main.kind.startswith("course:"):
        return None
    return replace(recipe, group=GROUPS[int(rng.integers(len(GROUPS)))])


def _reconnect(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    if recipe.layout == "spaced" or recipe.main.kind.startswith("course:"):
        return None
    others = [name for name in CONNECTORS if name != recipe.connector]
    return replace(recipe, connector=str(rng.choice(others)))


def _redraw(recipe: Recipe, rng: np.random.Generator, kinds: tuple[str, ...]) -> Recipe | None:
    """The same kind of ornament by another hand: our own drawings only, a glyph stays itself."""
    if recipe.main.kind.startswith("glyph:"):
        return None
    return replace(recipe, seed=int(rng.integers(2**31)))


CHANGES: tuple[tuple[str, Change], ...] = (
    ("style", _style),
    ("mirrored", _mirror),
    ("reduced", _reduce),
    ("fuller", _fill_out),
    ("element", _swap_second),
    ("spacing", _space),
    ("turned", _turn),
    ("group", _regroup),
    ("connector", _reconnect),
    ("redrawn", _redraw),
)
