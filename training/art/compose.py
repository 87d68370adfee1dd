"""Draw a recipe: place its parts, repeat them by the operations of a frieze group, join and rail them."""

from __future__ import annotations

import zlib

import cv2
import numpy as np

from training.art.courses import draw_course
from training.art.elements import draw_element
from training.art.glyphs import GlyphCache
from training.art.ink import (
    TILE_HEIGHT,
    Canvas,
    Ink,
    crop_rows,
    crop_to_ink,
    hatch_ink,
    open_ink,
    scale_to_height,
    thicken_ink,
    turn_ink,
    unite,
)
from training.art.motif_art import Group, Part, Recipe

WIDEST_PART_PX = 130
WIDEST_CELL_PX = 520
# A spaced stamp's gap is up to this many half stamp widths (gap_share is at most .5).
SPACED_GAP = 6.0
COURSE_RAIL_PX = 20
LEAST_STYLED_INK = 0.15


def draw_tile(recipe: Recipe, glyphs: GlyphCache | None = None) -> Ink:
    """Ink (96, w) 0..1 of one repeat cell of a recipe."""
    inner = 0.66 if recipe.rail else 1.0
    unit = _draw_unit(recipe, glyphs, round(TILE_HEIGHT * inner))
    cell = repeat_by_group(unit, recipe.group)
    if cell.shape[1] > WIDEST_CELL_PX:
        cell = _narrow(cell, WIDEST_CELL_PX)
    cell = _pad_rows(cell)
    if recipe.connector:
        cell = _connect(cell, recipe)
    if recipe.rail:
        cell = unite([cell, _draw_rails(recipe, cell.shape[1])])
    if recipe.thicken_px:
        cell = _thicken_cyclic(cell, recipe.thicken_px)
    if recipe.layout == "spaced":
        cell = np.pad(cell, ((0, 0), (0, round(recipe.gap_share * SPACED_GAP * cell.shape[1]))))
    return np.ascontiguousarray(np.clip(cell[:, ::-1] if recipe.mirrored else cell, 0, 1), np.float32)


def draw_part(part: Part, seed: int, glyphs: GlyphCache | None, height_px: int) -> Ink:
    """Ink (h, w) of one part, in its style and turn, cropped; a course keeps its full height."""
    rng = np.random.default_rng([seed, zlib.crc32(part.kind.encode())])
    name, _, detail = part.kind.partition(":")
    if name == "course":
        ink = draw_course(detail, rng)
        return scale_to_height(ink, height_px)
    if name == "glyph":
        if glyphs is None:
            raise ValueError(f"{part.kind} needs the art cache; give its path or set RIMLIGHT_ART")
        ink = glyphs.ink(int(detail))
    else:
        ink = draw_element(name, rng)
    if part.turn_deg:
        ink = turn_ink(ink, part.turn_deg)
    ink = scale_to_height(crop_to_ink(ink), max(6, round(height_px * part.height_share)), WIDEST_PART_PX)
    styled = _style(ink, part)
    # Nothing but hairlines may be left of a thin drawing: then it stays as it was.
    return styled if styled.mean() > LEAST_STYLED_INK * ink.mean() else ink


def repeat_by_group(unit: Ink, group: Group) -> Ink:
    """One translational cell of a frieze group from its fundamental unit (h, w).

    p11m and p2mm stack the unit above its reflection, each at half height, so that they do not overlap.
    """
    if group in ("p11m", "p2mm"):
        unit = scale_to_height(unit, unit.shape[0] // 2)
        unit = np.concatenate([unit, unit[::-1]])
    over, across, turned = unit[::-1], unit[:, ::-1], unit[::-1, ::-1]
    cells: dict[str, list[Ink]] = {
        "p1": [unit],
        "p11m": [unit],
        "p11g": [unit, over],
        "p1m1": [unit, across],
        "p2mm": [unit, across],
        "p2": [unit, turned],
        "p2mg": [unit, across, over, turned],
    }
    return np.concatenate(cells[group], axis=1)


def _draw_unit(recipe: Recipe, glyphs: GlyphCache | None, height_px: int) -> Ink:
    """Main and second part side by side with the recipe's gap, on a canvas of the full height."""
    main = draw_part(recipe.main, recipe.seed, glyphs, height_px)
    if recipe.main.kind.startswith("course:"):
        return main
    parts = [main]
    if recipe.second is not None:
        parts.append(draw_part(recipe.second, recipe.seed, glyphs, height_px))
    gap = max(1, round(recipe.gap_share * main.shape[1]))
    columns: list[Ink] = []
    for part in parts:
        stood = np.zeros((height_px, part.shape[1] + gap), np.float32)
        top = (height_px - part.shape[0]) // 2
        stood[top : top + part.shape[0], gap // 2 : gap // 2 + part.shape[1]] = part
        columns.append(stood)
    return np.concatenate(columns, axis=1)


def _style(ink: Ink, part: Part) -> Ink:
    if part.style == "open":
        return open_ink(ink, part.line_px)
    if part.style == "hatched":
        return hatch_ink(ink, max(1, part.line_px - 1), 2 * part.line_px + 3)
    return ink


def _pad_rows(cell: Ink) -> Ink:
    """Centre a cell on the tile's rows."""
    above = (TILE_HEIGHT - cell.shape[0]) // 2
    return np.pad(cell, ((above, TILE_HEIGHT - cell.shape[0] - above), (0, 0)))


def _narrow(cell: Ink, width_px: int) -> Ink:
    """Scale a cell down, aspect kept, to a width."""
    return scale_to_height(cell, max(8, round(cell.shape[0] * width_px / cell.shape[1])))


def _connect(cell: Ink, recipe: Recipe) -> Ink:
    """Lay a running connector behind the cell, with a bare halo round what stands before it."""
    rng = np.random.default_rng([recipe.seed, 11])
    connector = _draw_connector(str(recipe.connector), rng, cell.shape[1])
    halo = _thicken_cyclic((cell > 0.3).astype(np.float32), 4)
    return unite([cell, connector * (1 - halo)])


def _draw_connector(kind: str, rng: np.random.Generator, width: int) -> Ink:
    canvas = Canvas(width)
    thick = rng.uniform(1.5, 5)
    middle = TILE_HEIGHT / 2
    x = np.linspace(-8, width + 8, 80)
    if kind in ("line", "double"):
        for offset in (0.0,) if kind == "line" else (-0.12, 0.12):
            canvas.stroke(np.stack([x, np.full_like(x, middle + offset * TILE_HEIGHT)], 1), thick)
    elif kind == "wave":
        swing, waves = rng.uniform(0.06, 0.3) * TILE_HEIGHT, int(rng.integers(1, 3))
        canvas.stroke(np.stack([x, middle + swing * np.sin(2 * np.pi * waves * x / width)], 1), thick)
    elif kind == "dots":
        count = max(2, round(width / rng.uniform(10, 24)))
        for k in range(count):
            canvas.dot((k + 0.5) * width / count, middle, 1 + thick)
    elif kind == "swag":
        sag = rng.uniform(0.3, 0.7) * TILE_HEIGHT
        for k in (-1, 0, 1):
            t = np.linspace(-1, 1, 40)
            curve = np.stack([(k + 0.5 + t / 2) * width, 0.1 * TILE_HEIGHT + sag * (1 - t**2)], 1)
            canvas.stroke(curve, thick)
    else:
        raise ValueError(f"unknown connector {kind}")
    return canvas.ink()


def _draw_rails(recipe: Recipe, width: int) -> Ink:
    """Rows along both sides: lines, dots, scallops or dashes, (96, width)."""
    rng = np.random.default_rng([recipe.seed, 12])
    canvas = Canvas(width)
    sides = ((0.06,), (0.94,), (0.06, 0.94))[int(rng.integers(3))]
    if str(recipe.rail).startswith("course:"):
        return _draw_course_rails(str(recipe.rail).partition(":")[2], rng, width, sides)
    thick = rng.uniform(1.5, 4)
    count = max(1, round(width / rng.uniform(9, 30)))
    step = width / count
    angles = np.linspace(0, np.pi, 16)
    for side in sides:
        y, inward = side * TILE_HEIGHT, 1 if side < 0.5 else -1
        if recipe.rail == "lines":
            for offset in (0, 8)[: 1 + int(rng.random() < 0.4)]:
                canvas.stroke(np.array([[-8, y + inward * offset], [width + 8, y + inward * offset]]), thick)
        for k in range(-1, count + 1):
            if recipe.rail == "dots":
                canvas.dot((k + 0.5) * step, y + inward * 2, min(0.35 * step, 5))
            elif recipe.rail == "dashes":
                canvas.stroke(np.array([[k * step, y], [(k + 0.6) * step, y]]), thick + 1)
            elif recipe.rail == "scallops":
                arc = np.stack([(k + 0.5 + np.cos(angles) / 2) * step, y + inward * 11 * np.sin(angles)], 1)
                canvas.stroke(arc, thick)
    return canvas.ink()


def _draw_course_rails(kind: str, rng: np.random.Generator, width: int, sides: tuple[float, ...]) -> Ink:
    """A small running ornament along one side or both, the lower one turned over, (96, width)."""
    count = max(1, round(width / rng.uniform(15, 45)))
    cell = crop_rows(draw_course(kind, rng, max(24, round(width / count * TILE_HEIGHT / COURSE_RAIL_PX / 2))))
    row = cv2.resize(np.tile(cell, (1, count)), (width, COURSE_RAIL_PX), interpolation=cv2.INTER_AREA)
    rails = np.zeros((TILE_HEIGHT, width), np.float32)
    for side in sides:
        if side < 0.5:
            rails[1 : 1 + COURSE_RAIL_PX] = row
        else:
            rails[-1 - COURSE_RAIL_PX : -1] = row[::-1]
    return rails


def _thicken_cyclic(cell: Ink, by_px: int) -> Ink:
    """Dilate or erode a cell that joins itself left to right."""
    pad = abs(by_px) + 1
    wide = np.concatenate([cell[:, -pad:], cell, cell[:, :pad]], axis=1)
    return thicken_ink(wide, by_px)[:, pad:-pad]
