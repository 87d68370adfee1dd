"""The decorated strip as textures: metal mask, metal roughness, painted colour, with what was stamped."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from training.art.motif_art import Motif
from training.render.tables import wavy_noise
from training.render.wear import DULL_ROUGHNESS, LEFT_OPACITY, Wear, wear_film

Map = NDArray[np.float32]
METALS = ("gold", "platinum")
ROLES = ("edge", "border", "verge")
MIN_REPEATS, MAX_REPEATS = 12, 60
# sRGB, 0..1: enamel colours that are taken for metal, and others
PAINTS: dict[str, tuple[float, float, float]] = {
    "ochre": (0.72, 0.52, 0.2),
    "yellow": (0.86, 0.72, 0.25),
    "brown": (0.4, 0.24, 0.13),
    "grey": (0.55, 0.56, 0.57),
    "white": (0.93, 0.93, 0.92),
    "black": (0.07, 0.07, 0.08),
    "red": (0.68, 0.12, 0.12),
    "green": (0.13, 0.4, 0.22),
    "blue": (0.12, 0.22, 0.55),
}


@dataclass(frozen=True)
class LinePlan:
    """A line round the rim: place ``edge`` or ``verge``, a metal or a paint, width, distance from the lip."""

    place: str
    colour: str
    width_mm: float
    from_lip_mm: float


@dataclass(frozen=True)
class BorderPlan:
    """A stamped or painted border: colour is a metal or a paint; top edge so far from the lip."""

    motif: Motif
    colour: str
    height_mm: float
    from_lip_mm: float
    repeats: int
    start_share: float


@dataclass(frozen=True)
class Decoration:
    """Textures of the strip, rows from beyond the lip inward, columns along u.

    Attributes
    ----------
    metal : (h, w) opacity of the metal as it is now; stamped (h, w) as it was when new.
    roughness : (h, w) microfacet roughness of the metal.
    body : (h, w, 3) sRGB colour of glaze and paint.
    roles : (h, w, 3) cover of edge line, border and verge line as they were when new.
    left : (h, w) bool, where stamped metal still counts as there; dull (h, w) where it is dulled.
    """

    metal: Map
    stamped: Map
    roughness: Map
    body: Map
    roles: Map
    left: NDArray[np.bool_]
    dull: Map


def count_repeats(motif: Motif, height_mm: float, length_mm: float, rng: np.random.Generator) -> int:
    """Whole number of repeats that keeps the stamp's aspect; 3–8 for spaced stamps."""
    width_mm = height_mm * motif.tile.shape[1] / motif.tile.shape[0]
    fitting = length_mm / width_mm
    if motif.layout == "spaced":
        return int(np.clip(rng.integers(3, 9), 3, max(3, int(fitting * 0.8))))
    return int(np.clip(round(fitting), MIN_REPEATS, MAX_REPEATS))


def stamp_border(
    border: BorderPlan, size: tuple[int, int], strip_mm: tuple[float, float], v0_mm: float
) -> Map:
    """The border's mask (h, w) on the strip.

    Parameters
    ----------
    size : rows and columns of the texture; strip_mm the strip's width across and length along.
    v0_mm : how far row 0 lies from the outer lip (negative: beyond it).
    """
    rows, columns = size
    per_mm = rows / strip_mm[0]
    tile = border.motif.tile
    band_rows = max(4, round(border.height_mm * per_mm))
    top = round((border.from_lip_mm - v0_mm) * per_mm)
    pitch = columns / border.repeats
    stamp = pitch
    if border.motif.layout == "spaced":
        wide_mm = border.height_mm * tile.shape[1] / tile.shape[0]
        stamp = min(pitch, wide_mm / strip_mm[1] * columns)
    shrunk = cv2.resize(tile, (max(4, round(stamp)), band_rows), interpolation=cv2.INTER_AREA)
    row = _repeat_row(shrunk, columns, pitch, border.start_share)
    mask = np.zeros(size, np.float32)
    first, last = max(top, 0), min(top + band_rows, rows)
    mask[first:last] = row[first - top : last - top]
    return mask


def _repeat_row(stamp: Map, columns: int, pitch: float, start_share: float) -> Map:
    """Lay the stamp every ``pitch`` columns round a cyclic row."""
    x = (np.arange(columns) + 0.5 - start_share * pitch) % pitch
    width = stamp.shape[1]
    inset = max(0.0, (pitch - width) / 2.0) if pitch - width > 2 else 0.0
    at = (x - inset) * (1.0 if inset else width / pitch) - 0.5
    padded = np.pad(stamp, ((0, 0), (1, 1)), mode="constant" if inset else "wrap")
    at = np.clip(at, -1.0, width).astype(np.float32) + 1.0
    map_x = np.broadcast_to(at, (stamp.shape[0], columns)).astype(np.float32)
    map_y = np.broadcast_to(np.arange(stamp.shape[0], dtype=np.float32)[:, None], map_x.shape)
    rolled: Map = cv2.remap(padded, map_x, np.ascontiguousarray(map_y), cv2.INTER_LINEAR)
    return rolled


def draw_line(line: LinePlan, size: tuple[int, int], width_mm: float, v0_mm: float) -> Map:
    """The line's mask (h, w): soft by a third of a row at both edges."""
    rows, columns = size
    v = v0_mm + (np.arange(rows) + 0.5) * width_mm / rows
    step = width_mm / rows
    inside = line.width_mm / 2 - np.abs(v - line.from_lip_mm - line.width_mm / 2)
    column = np.clip(inside / step + 0.5, 0.0, 1.0).astype(np.float32)
    return np.repeat(column[:, None], columns, 1)


def decorate(
    size: tuple[int, int],
    strip_mm: tuple[float, float],
    v0_mm: float,
    glaze_rgb: tuple[float, float, float],
    border: BorderPlan | None,
    lines: tuple[LinePlan, ...],
    wear: Wear,
    finish: float,
    rng: np.random.Generator,
) -> Decoration:
    """Lay border and lines on the glaze, then age the metal.

    Parameters
    ----------
    finish : microfacet roughness of sound metal (bright about .03, burnished about .2).
    """
    stamped = np.zeros(size, np.float32)
    body = np.empty((*size, 3), np.float32)
    body[:] = glaze_rgb
    roles = np.zeros((*size, len(ROLES)), np.float32)
    layers = [(line.place, line.colour, draw_line(line, size, strip_mm[0], v0_mm)) for line in lines]
    if border is not None:
        stamps = _roughen(stamp_border(border, size, strip_mm, v0_mm), rng)
        layers.append(("border", border.colour, stamps))
    for role, colour, mask in layers:
        roles[..., ROLES.index(role)] = mask
        if colour in METALS:
            np.maximum(stamped, mask, out=stamped)
        else:
            body += mask[..., None] * (np.array(PAINTS[colour], np.float32) - body)
    per_mm = (size[0] / strip_mm[0], size[1] / strip_mm[1])
    film = wear_film(wear, stamped, per_mm, rng)
    rough = (finish + (DULL_ROUGHNESS - finish) * film.dull).astype(np.float32)
    left = (film.opacity > LEFT_OPACITY) & (stamped > 0.5)
    return Decoration(stamped * film.opacity, stamped, rough, body, roles, left, film.dull)


def _roughen(mask: Map, rng: np.random.Generator) -> Map:
    """Slightly broken stamp edges, as rubber leaves them."""
    grain = wavy_noise(rng, (mask.shape[0], mask.shape[1]), (6, 6), 2)
    soft = cv2.GaussianBlur(mask, (0, 0), 0.8)
    inked = (soft + 0.07 * grain * (soft > 0.02) - 0.5) * 3.0 + 0.5
    return np.asarray(np.clip(inked, 0.0, 1.0), np.float32)
