"""What lies on the strip: where each pixel falls on the piece, the metal's cover, its wear, lines, relief."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from training.art.motif_art import Motif
from training.render.strip_choices import StripChoices

FloatArray = npt.NDArray[np.float32]

# Mostly the lip was misjudged and drifts with the print; else it lies straight, and the print's drift fades
# towards it over so many rows.
LIP_FOLLOWS_SHARE, LIP_HELD_PX = 0.7, 15
# Share of the scale change that shows along a whole rim, and along a part of one.
CLOSED_UNEVENNESS, OPEN_UNEVENNESS = 0.15, 0.4


@dataclass(frozen=True, eq=False)
class Place:
    """Where pixels fall: piece row (h, w) in undistorted strip rows, x (1, w) along the undistorted rim."""

    row: FloatArray
    along: FloatArray
    centre_shift: FloatArray


def place_pixels(choices: StripChoices, rng: np.random.Generator) -> Place:
    """Residual warp of the unrolling: rows that drift once and twice round the rim, a scale that changes."""
    h, w = choices.height_px, choices.width_px
    turn = 2 * np.pi * choices.visible_share * np.arange(w) / w
    shift = np.zeros(w)
    for cycles in (1, 2):
        shift += rng.uniform(0, 1) / cycles * np.sin(cycles * turn + rng.uniform(0, 2 * np.pi))
    if not choices.closed:
        shift += rng.uniform(-0.5, 0.5) * np.linspace(-1, 1, w)
    shift *= choices.drift_px
    scale = 1 + choices.scale_change * rng.uniform(-1, 1) * np.sin(turn + rng.uniform(0, 2 * np.pi))
    rows = np.arange(h, dtype=np.float32)[:, None]
    lip = choices.lip_row
    follows = 1.0 if rng.random() < LIP_FOLLOWS_SHARE else 0.2
    held = np.clip((rows - lip) / LIP_HELD_PX, follows, 1)
    row = (rows - lip - held * shift[None].astype(np.float32)) * scale[None].astype(np.float32) + lip
    # Round a whole rim a centre one hundredth of the radius off shifts angles by as much: far less than here
    # an open strip, where a few degrees of tilt stretch one end.
    uneven = CLOSED_UNEVENNESS if choices.closed else OPEN_UNEVENNESS
    step = 1 + choices.scale_change * uneven * np.sin(turn + rng.uniform(0, 2 * np.pi))
    along = np.cumsum(step) * (w / step.sum())
    return Place(row.astype(np.float32), along[None].astype(np.float32), shift.astype(np.float32))


def lay_border(motif: Motif, choices: StripChoices, place: Place, rng: np.random.Generator) -> FloatArray:
    """Cover (h, w) 0..1 of the stamped border."""
    tile = motif.tile
    if choices.mirrored:
        tile = tile[:, ::-1]
    if choices.upside_down:
        tile = tile[::-1, ::-1]
    size = (max(2, round(choices.repeat_px)), max(2, round(choices.border_height_px)))
    small = cv2.resize(np.ascontiguousarray(tile), size, interpolation=cv2.INTER_AREA)
    # Two columns and rows of margin, so that interpolation wraps along and fades across.
    ring = cv2.copyMakeBorder(small, 2, 2, 0, 0, cv2.BORDER_CONSTANT, value=0)
    ring = cv2.copyMakeBorder(ring, 0, 0, 2, 2, cv2.BORDER_WRAP)
    u = (place.along / choices.repeat_px + choices.phase_share) % 1.0 * size[0]
    if choices.seam and not choices.closed:
        at = int(rng.integers(place.along.shape[1]))
        u[:, at:] = (u[:, at:] + rng.uniform(0.1, 0.9) * size[0]) % size[0]
    v = (place.row - choices.border_top_px) * (size[1] / choices.border_height_px)
    map_x = np.repeat(u.astype(np.float32) + 1.5, choices.height_px, axis=0)
    cover = cv2.remap(ring, map_x, v + 1.5, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(np.clip(cover, 0, 1), np.float32)


def lay_line(place: Place, top: float, thickness: float) -> FloatArray:
    """Cover (h, w) 0..1 of a line between two piece rows, its edges a pixel soft."""
    below = np.clip(place.row - top + 0.5, 0, 1)
    above = np.clip(top + thickness - place.row + 0.5, 0, 1)
    return np.asarray(below * above, np.float32)


def smooth_noise(
    rng: np.random.Generator, height: int, width: int, cell_px: float, channels: int = 1
) -> FloatArray:
    """Smooth noise (height, width[, channels]), about uniform in 0..1, with cells of ``cell_px``."""
    rows, columns = max(2, round(height / cell_px) + 1), max(2, round(width / cell_px) + 1)
    small = rng.random((rows, columns, channels), dtype=np.float32)
    out = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(out, np.float32)


def wear_off(choices: StripChoices, cover: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Share (h, w) 0..1 of the metal that is left where it was laid; the mean over the cover is as chosen.

    Wear is patchy at two scales, worse in some sectors and towards the lip.
    """
    h, w = cover.shape
    field = smooth_noise(rng, h, w, rng.uniform(4, 14)) + 0.7 * smooth_noise(rng, h, w, rng.uniform(1.6, 4))
    field += rng.uniform(0.2, 1.2) * smooth_noise(rng, 2, w, w / rng.uniform(2, 7))[:1]
    field += rng.uniform(0, 0.6) * np.linspace(0, 1, h, dtype=np.float32)[:, None]
    printed = field[cover > 0.4]
    if len(printed) < 20 or choices.wear_share <= 0:
        return np.ones_like(cover)
    threshold = np.partition(printed, k := int(choices.wear_share * (len(printed) - 1)))[k]
    softness = rng.uniform(0.04, 0.25)
    return np.asarray(np.clip(0.5 + (field - threshold) / softness, 0, 1), np.float32)


def emboss(choices: StripChoices, place: Place, rng: np.random.Generator) -> FloatArray:
    """Factor (h, w) on the glaze's shading from a moulded relief that repeats along the rim."""
    period = rng.uniform(20, 120)
    bow = rng.uniform(-0.02, 0.02) * place.row
    wave = np.sin(2 * np.pi * place.along / period + bow * rng.uniform(0, 3))
    if rng.random() < 0.5:
        wave = np.sign(wave) * np.abs(wave) ** 0.3
    fade = np.clip((place.row - choices.lip_row) / 15, 0, 1) if rng.random() < 0.5 else 1.0
    return np.asarray(1 + choices.embossing * wave * fade, np.float32)
