"""Worn trim: broken and dulled metal with a known remaining share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from training.render.tables import wavy_noise

Map = NDArray[np.float32]
LEFT_OPACITY = 0.35  # a film more transparent than this counts as gone
DULL_ROUGHNESS = 0.42


@dataclass(frozen=True)
class Wear:
    """How the trim has aged.

    Attributes
    ----------
    gone_share : aimed share of the metal lost, 0..1 (what was really lost is measured on the mask).
    sectors_rad : (k, 3) worst places: angle along the strip (radians of u), half width, strength.
    dull_share : share of the rim whose film has gone dull and partly transparent.
    grain_mm : size of the broken patches.
    """

    gone_share: float
    sectors_rad: NDArray[np.float64]
    dull_share: float
    grain_mm: float


SOUND = Wear(0.0, np.zeros((0, 3)), 0.0, 2.0)


@dataclass(frozen=True)
class WornFilm:
    """opacity (h, w) of what is left, 0..1, and dull (h, w): how far the film is dulled, 0..1."""

    opacity: Map
    dull: Map


def draw_wear(rng: np.random.Generator, kind: str) -> Wear:
    """A random worn state, ``rubbed``, ``broken`` or ``dulled``, worst in one to four places."""
    count = int(rng.integers(1, 5))
    sectors = np.stack(
        [rng.uniform(0, 2 * np.pi, count), rng.uniform(0.3, 1.3, count), rng.uniform(0.6, 1.6, count)], 1
    )
    if kind == "rubbed":
        return Wear(
            float(rng.uniform(0.03, 0.32)), sectors, float(rng.uniform(0, 0.15)), float(rng.uniform(1, 3))
        )
    if kind == "dulled":
        return Wear(float(rng.uniform(0.0, 0.35)), sectors, float(rng.uniform(0.6, 0.95)), 2.5)
    return Wear(float(rng.uniform(0.3, 0.9)), sectors, float(rng.uniform(0.0, 0.3)), float(rng.uniform(1, 4)))


def wear_film(
    wear: Wear, original: Map, px_per_mm: tuple[float, float], rng: np.random.Generator
) -> WornFilm:
    """Break and dull a metal mask.

    Parameters
    ----------
    original : (h, w) metal mask 0..1 as stamped.
    px_per_mm : rows and columns of the mask per mm of the strip.
    """
    if wear.gone_share <= 0 and wear.dull_share <= 0:
        return WornFilm(np.ones_like(original), np.zeros_like(original))
    shape = (original.shape[0], original.shape[1])
    cell = (max(2, round(wear.grain_mm * px_per_mm[0])), max(2, round(wear.grain_mm * px_per_mm[1])))
    field = wavy_noise(rng, shape, cell, 3) + 1.4 * _clock_field(wear, shape) + 0.5 * _lip_field(original)
    opacity = np.ones(shape, np.float32)
    if wear.gone_share > 0:
        limit = _quantile(field, original, 1.0 - wear.gone_share)
        opacity = np.clip(0.5 - (field - limit) / 0.35, 0.0, 1.0).astype(np.float32)
    dull = _dull_field(wear, shape, cell, rng)
    return WornFilm(opacity * (1.0 - dull * 0.4), dull)


def _clock_field(wear: Wear, shape: tuple[int, int]) -> Map:
    turn = np.linspace(0, 2 * np.pi, shape[1], endpoint=False)
    total = np.zeros(shape[1])
    for centre, half, strength in wear.sectors_rad:
        away = np.angle(np.exp(1j * (turn - centre)))
        total += strength * np.exp(-0.5 * (away / half) ** 2)
    return np.broadcast_to(total.astype(np.float32), shape)


def _lip_field(original: Map) -> Map:
    """The lip is touched most: a field that falls from the lip inward."""
    rows = np.linspace(1.0, 0.0, original.shape[0], dtype=np.float32)
    return np.broadcast_to(rows[:, None], original.shape)


def _quantile(field: Map, original: Map, share: float) -> float:
    printed = field[original > 0.5]
    if printed.size == 0:
        return float(np.quantile(field[::8, ::8], share))
    return float(np.quantile(printed[:: max(1, printed.size // 50000)], share))


def _dull_field(wear: Wear, shape: tuple[int, int], cell: tuple[int, int], rng: np.random.Generator) -> Map:
    if wear.dull_share <= 0:
        return np.zeros(shape, np.float32)
    field = wavy_noise(rng, shape, (4 * cell[0], 12 * cell[1]), 3) + _clock_field(wear, shape)
    limit = float(np.quantile(field[::8, ::8], 1.0 - wear.dull_share))
    return np.asarray(np.clip(0.5 + (field - limit) / 0.4, 0.0, 1.0), np.float32)
