"""Light on the strip: what the metal mirrors, the glaze's shading and its highlights.

Colour planes lie first, (3, h, w): numpy is several times faster on whole planes than on triples.
"""

from __future__ import annotations

import cv2
import numpy as np

from model.colour import GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB
from training.render.strip_choices import GLAZES, PAINTS, StripChoices
from training.render.strip_surface import FloatArray, Place, smooth_noise

# Share of light that a glaze mirrors, normal incidence at n = 1.5: ((n - 1) / (n + 1))^2.
GLAZE_MIRROR_SHARE = 0.04


def mirror_surroundings(choices: StripChoices, place: Place, rng: np.random.Generator) -> FloatArray:
    """Light (3, h, w) that comes from where the metal looks: dark walls, windows, coloured tables.

    It varies along the strip in steps and slopes, less across it; its level lies between far below and
    well above a white glaze, so that metal is now darker and now brighter than the glaze.
    """
    h, w = choices.height_px, choices.width_px
    columns, rows = int(rng.integers(2, 14)), int(rng.integers(1, 4))
    variety = choices.room_variety
    level = np.exp(rng.normal(rng.uniform(-1.4, 0.2), variety * rng.uniform(0.15, 0.9), (rows, columns, 1)))
    tint = 1 + variety * rng.uniform(0, 0.5) * (rng.random((rows, columns, 3)) - 0.5)
    small = (np.clip(level, 0.015, 2.5) * tint).astype(np.float32)
    if choices.closed:
        small = np.concatenate([small, small[:, :1]], axis=1)
    sharp = rng.random() < 0.4
    flags = cv2.INTER_NEAREST if sharp else cv2.INTER_LINEAR
    half = cv2.resize(small, (max(2, w // 4), max(2, h // 4)), interpolation=flags)
    if sharp:
        half = cv2.blur(half, (int(rng.integers(1, 6)), 3))
    return np.stack([cv2.resize(plane, (w, h), interpolation=cv2.INTER_LINEAR) for plane in cv2.split(half)])


def shade_glaze(choices: StripChoices, place: Place, rng: np.random.Generator) -> FloatArray:
    """Diffuse light (h, w) on the glaze: slow along the rim, a slope and a bow across it."""
    w = choices.width_px
    turn = 2 * np.pi * choices.visible_share * np.arange(w) / w
    along = np.zeros(w)
    for cycles in (1, 2, 3):
        along += rng.normal(0, 1) / cycles * np.sin(cycles * turn + rng.uniform(0, 2 * np.pi))
    rows = np.maximum(np.arange(choices.height_px)[:, None] - choices.lip_row, 0)
    inward = rows / (choices.height_px - choices.lip_row)
    across = rng.normal(0, 0.6) * inward + rng.normal(0, 0.6) * inward**2
    # A rolled lip turns away from the light within its first few rows.
    roll = rng.uniform(0, 0.6) * np.exp(-rows / rng.uniform(1.5, 5))
    column = np.exp(choices.shading * 0.6 * along[None])
    return np.asarray(column * np.exp(choices.shading * across - roll), np.float32)


def find_highlights(choices: StripChoices, place: Place, rng: np.random.Generator) -> FloatArray | None:
    """Glare (h, w) on the glaze: soft patches and a streak along a row; None where there is none."""
    if choices.glare <= 0 and choices.glare_streak <= 0:
        return None
    light = np.zeros((choices.height_px, choices.width_px), np.float32)
    rows = np.arange(choices.height_px, dtype=np.float32)[:, None]
    for _ in range(int(rng.integers(1, 4)) if choices.glare > 0 else 0):
        x, y = rng.uniform(0, choices.width_px), rng.uniform(-0.1, 1.1) * choices.height_px
        wide, high = rng.uniform(8, 110), rng.uniform(3, 35)
        column = choices.glare * rng.uniform(0.3, 1) * np.exp(-0.5 * ((place.along - x) / wide) ** 2)
        light += column * np.exp(-0.5 * ((rows - y) / high) ** 2)
    if choices.glare_streak > 0:
        y, high = rng.uniform(choices.lip_row, choices.height_px), rng.uniform(0.8, 5)
        along = smooth_noise(rng, 2, choices.width_px, choices.width_px / rng.uniform(2, 9))[:1]
        light += choices.glare_streak * along * np.exp(-0.5 * ((rows - y) / high) ** 2)
    return light


def metal_rgb(metal: str, paint: str, rng: np.random.Generator) -> FloatArray:
    """Reflectance (3,) of gold (a family of colours), platinum, or a paint's albedo."""
    if metal == "gold":
        # Lemon to red gold: the blue share varies, and alloys are paler.
        pale = rng.uniform(0, 0.25)
        gold = GOLD_LINEAR_RGB * (1 - pale) + 0.85 * pale
        return np.asarray(gold * np.exp(rng.normal(0, (0.03, 0.05, 0.15))), np.float32)
    if metal == "platinum":
        return np.asarray(PLATINUM_LINEAR_RGB * np.exp(rng.normal(0, 0.03, 3)), np.float32)
    return np.asarray(PAINTS[paint], np.float32) * np.float32(np.exp(rng.normal(0, 0.15)))


def glaze_rgb(glaze: str, rng: np.random.Generator) -> FloatArray:
    """Albedo (3,) of a glaze near its named colour."""
    return np.asarray(np.asarray(GLAZES[glaze]) * np.exp(rng.normal(0, 0.05, 3)), np.float32)
