"""Fast rendered rim strips with known truth, for training and quick measurements.

Not physics: a strip of glaze in smooth light, metal that takes the colour of gold or platinum times what it
mirrors, and a phone. The path-traced pictures are the ones to trust; these are the ones there are many of.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.colour_profile import srgb_profile
from model.rim_band import CLIPPED_HIGH, CLIPPED_LOW, RimStrip
from training.art.motif_art import Motif
from training.render.strip_camera import photograph
from training.render.strip_choices import PAINTS, Metal, StripChoices, choose_scene
from training.render.strip_light import (
    GLAZE_MIRROR_SHARE,
    find_highlights,
    glaze_rgb,
    metal_rgb,
    mirror_surroundings,
    shade_glaze,
)
from training.render.strip_surface import (
    FloatArray,
    Place,
    emboss,
    lay_border,
    lay_line,
    place_pixels,
    smooth_noise,
    wear_off,
)

PRINTED_COVER = 0.35


@dataclass(frozen=True, eq=False)
class StripTruth:
    """What was drawn. Rows and columns are strip pixels.

    ``border_rows`` is the mean extent of the inked rows; ``cover`` (h, w) the metal as stamped, lines
    included; ``left`` (h, w) the share of it that is left; ``row_drift_px`` (w,) how far below its mean row
    the print lies; ``repeats`` may be broken in an open strip.
    """

    motif_id: str
    border_rows: tuple[float, float]
    edge_line_rows: tuple[float, float] | None
    verge_line_rows: tuple[float, float] | None
    edge_line: str
    verge_line: str
    phase_px: float
    repeat_px: float
    repeats: float
    layout: str
    symmetry: str | None
    mirrored: bool
    metal: Metal
    paint: str | None
    glaze: str
    glaze_rgb: tuple[float, float, float]
    cover: FloatArray
    left: FloatArray
    row_drift_px: FloatArray
    remaining_share: float
    white_rgb: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class StripPicture:
    """A rendered strip, its truth and the choices behind it."""

    strip: RimStrip
    truth: StripTruth
    choices: StripChoices


def render_strip(
    motif: Motif, rng: np.random.Generator, metal: Metal = "gold", **overrides: Any
) -> StripPicture:
    """Render one strip of a motif; keyword arguments fix any field of ``StripChoices``.

    The strip is sRGB, most often an open part of a rim of 480-860 columns; ``closed=True`` makes a whole
    rim with a whole number of repeats. A motif at ``border_height_px=0`` is not printed at all.
    """
    choices = choose_scene(motif, rng, metal, **overrides)
    place = place_pixels(choices, rng)
    layers = _lay_metal(motif, choices, place, rng)
    cover = np.zeros_like(place.row)
    for layer, _ in layers:
        cover = np.maximum(cover, layer)
    left = wear_off(choices, cover, rng)
    light, glaze = _light_strip(choices, place, layers, left, rng)
    seen = _cover_columns(choices, light, rng)
    strip = _make_strip(choices, photograph(light, choices, rng), seen)
    return StripPicture(strip, _tell_truth(motif, choices, place, cover, left, glaze), choices)


def _make_strip(
    choices: StripChoices, encoded: npt.NDArray[np.uint8], seen: npt.NDArray[np.bool_]
) -> RimStrip:
    w = choices.width_px
    top, low = (CLIPPED_HIGH - 1,) * 3, (CLIPPED_LOW,) * 3
    clipped = (cv2.inRange(encoded, (0, 0, 0), top) == 0) | (cv2.inRange(encoded, (0, 0, 0), low) > 0)
    return RimStrip(
        encoded=encoded,
        linear_rgb=srgb_profile().linearise(encoded),
        seen_mask=seen,
        clipped_mask=clipped,
        column_deg=(360 * choices.visible_share * np.arange(w) / w).astype(np.float32),
        closed=choices.closed,
        lip_row=choices.lip_row,
        px_scale=1.0,
        px_per_diameter=float(w / (np.pi * choices.visible_share)),
        mm_per_px=None,
        blur_px=float(np.hypot(choices.blur_px, 0.5 * choices.shrink)),
    )


Layer = tuple[FloatArray, FloatArray]


def _lay_metal(motif: Motif, choices: StripChoices, place: Place, rng: np.random.Generator) -> list[Layer]:
    """Cover (h, w) and colour (3,) of border, edge line and verge line, in that order."""
    colour = metal_rgb(choices.metal, choices.paint, rng)
    layers: list[Layer] = []
    if choices.border_height_px >= 2:
        layers.append((lay_border(motif, choices, place, rng), _marked(colour, choices.metal)))
    for line, top, thickness in (
        (choices.edge_line, choices.lip_row + 0.2, choices.edge_line_px),
        (choices.verge_line, choices.verge_row, choices.verge_line_px),
    ):
        if line == "none" or top > choices.height_px:
            continue
        kind = choices.metal if line == "same" else line
        paint = choices.paint if line == "same" else str(rng.choice(list(PAINTS)))
        shade = colour if line == "same" else metal_rgb(kind, paint, rng)
        layers.append((lay_line(place, top, thickness), _marked(shade, kind)))
    return layers


def _marked(colour: FloatArray, kind: str) -> FloatArray:
    """Append 1 for metal, 0 for paint, to a colour."""
    return np.append(colour, np.float32(kind != "paint")).astype(np.float32)


def _light_strip(
    choices: StripChoices, place: Place, layers: list[Layer], left: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Linear light (3, h, w) of the whole strip before the camera, and the glaze's albedo (3,)."""
    glaze = glaze_rgb(choices.glaze, rng)
    shade = shade_glaze(choices, place, rng)
    if choices.embossing > 0:
        shade = shade * emboss(choices, place, rng)
    room = mirror_surroundings(choices, place, rng)
    light = shade * glaze[:, None, None]
    bare = np.ones_like(shade)
    if choices.decal > 0:
        _add_decals(choices, light, shade, rng)
    for cover, colour in layers:
        alpha = cover * left
        if colour[3] > 0:
            # Stamped metal is never quite even; a little of it scatters instead of mirroring.
            dull = np.float32(rng.uniform(0.0, 0.25))
            bare -= np.float32(0.85) * bare * alpha
            mirrored, scattered = 1 - dull, dull
        else:
            mirrored, scattered = np.float32(0), np.float32(1)
        for plane, room_plane, shine in zip(light, room, colour[:3], strict=True):
            plane += alpha * (room_plane * (mirrored * shine) + shade * (scattered * shine) - plane)
    highlights = find_highlights(choices, place, rng)
    if highlights is not None:
        light += highlights * bare
    light += np.float32(GLAZE_MIRROR_SHARE) * room
    _paint_outside(choices, place, light, rng)
    return light, glaze


def _add_decals(
    choices: StripChoices, light: FloatArray, shade: FloatArray, rng: np.random.Generator
) -> None:
    """Blobs of printed colour with dots of another, in place."""
    h, w = shade.shape
    for _ in range(int(rng.integers(1, 5))):
        x, y, r = int(rng.integers(w)), int(rng.integers(h)), int(rng.integers(6, 26))
        colour = tuple(float(v) for v in rng.uniform(0.03, 0.7, 3))
        mask = np.zeros((h, w), np.uint8)
        for _ in range(int(rng.integers(2, 6))):
            at = (x + int(rng.integers(-r, r + 1)), y + int(rng.integers(-r, r + 1)))
            axes = (int(rng.integers(3, r + 1)), int(rng.integers(2, r)))
            cv2.ellipse(mask, at, axes, float(rng.uniform(0, 180)), 0, 360, 255, -1, cv2.LINE_AA)
        box = np.s_[max(0, y - 2 * r) : y + 2 * r + 1, max(0, x - 2 * r) : x + 2 * r + 1]
        alpha = mask[box].astype(np.float32) * np.float32(choices.decal / 255)
        for plane, ink in zip(light, colour, strict=True):
            plane[box] += alpha * (shade[box] * np.float32(ink) - plane[box])


def _paint_outside(choices: StripChoices, place: Place, light: FloatArray, rng: np.random.Generator) -> None:
    """The table above the lip with the piece's shadow, and at times food or a darker well below, in place."""
    lip = choices.lip_row
    rows = max(2, lip + int(choices.drift_px) + 4)
    table = np.asarray(rng.uniform(0.02, 0.8) * (1 + rng.uniform(-0.4, 0.4, 3)), np.float32)
    texture = 0.7 + 0.6 * smooth_noise(rng, rows, choices.width_px, rng.uniform(2, 30))
    inside = np.clip(place.row[:rows] - lip + 0.5, 0, 1)
    for plane, shade in zip(light, table, strict=True):
        plane[:rows] += (1 - inside) * (texture * shade - plane[:rows])
    if choices.food:
        start = int(rng.uniform(0.75, 0.95) * choices.height_px)
        start = max(start, int(choices.border_top_px + choices.border_height_px) + 3)
        if choices.height_px - start > 2:
            blobs = smooth_noise(rng, choices.height_px - start, choices.width_px, rng.uniform(6, 25), 3)
            blobs += 2 * blobs.mean(axis=2, keepdims=True)
            light[:, start:] = blobs.transpose(2, 0, 1) * rng.uniform(0.05, 0.8, (3, 1, 1)).astype(np.float32)


def _cover_columns(
    choices: StripChoices, light: FloatArray, rng: np.random.Generator
) -> npt.NDArray[np.bool_]:
    """Seen mask (h, w); a covered span shows something else and is marked unseen."""
    h, w = light.shape[1:]
    seen = np.ones((h, w), dtype=bool)
    if choices.covered_share > 0:
        span = int(choices.covered_share * w)
        start = int(rng.integers(0, w - span + 1))
        light[:, :, start : start + span] = rng.uniform(0.05, 0.6, (3, 1, 1))
        seen[:, start : start + span] = False
    return seen


def _tell_truth(
    motif: Motif,
    choices: StripChoices,
    place: Place,
    cover: FloatArray,
    left: FloatArray,
    glaze: FloatArray,
) -> StripTruth:
    inked = np.flatnonzero(motif.tile.max(axis=1) > PRINTED_COVER)
    scale = choices.border_height_px / motif.tile.shape[0]
    first, last = (inked[0], inked[-1] + 1) if len(inked) else (0, motif.tile.shape[0])
    top = choices.border_top_px
    printed = cover > PRINTED_COVER
    gains, repeat = np.asarray(choices.cast), max(choices.repeat_px, 1.0)
    return StripTruth(
        motif_id=motif.id,
        border_rows=(top + first * scale, top + last * scale),
        edge_line_rows=_line_rows(choices.edge_line, choices.lip_row, choices.edge_line_px, choices),
        verge_line_rows=_line_rows(choices.verge_line, choices.verge_row, choices.verge_line_px, choices),
        edge_line=choices.edge_line,
        verge_line=choices.verge_line,
        phase_px=-choices.phase_share * repeat % repeat,
        repeat_px=choices.repeat_px,
        repeats=choices.width_px / repeat,
        layout=motif.layout if choices.border_height_px >= 2 else "none",
        symmetry=motif.symmetry,
        mirrored=choices.mirrored,
        metal=choices.metal,
        paint=choices.paint if choices.metal == "paint" else None,
        glaze=choices.glaze,
        glaze_rgb=(float(glaze[0]), float(glaze[1]), float(glaze[2])),
        cover=cover,
        left=left,
        row_drift_px=place.centre_shift,
        remaining_share=float(left[printed].mean()) if printed.any() else 1.0,
        white_rgb=(float(gains[0] / gains[1]), 1.0, float(gains[2] / gains[1])),
    )


def _line_rows(kind: str, top: float, thickness: float, choices: StripChoices) -> tuple[float, float] | None:
    if kind == "none" or top >= choices.height_px - 0.5:
        return None
    return (float(top), float(min(top + thickness, choices.height_px)))
