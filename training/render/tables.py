"""Procedural pictures: table tops, patterned cloth, newspaper-like print (all invented)."""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
TableKind = Literal["wood", "checks", "newsprint", "white cloth", "coloured cloth", "dark", "floral"]
TABLE_KINDS: tuple[TableKind, ...] = TableKind.__args__  # type: ignore[attr-defined]
SIDE_PX = 768
TILE_MM = 420.0


def wavy_noise(
    rng: np.random.Generator, shape: tuple[int, int], cell: tuple[int, int], octaves: int = 4
) -> Picture:
    """Fractal value noise, mean about 0, spread about 1, cyclic along x; ``cell`` is (rows, columns)."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        rows = max(2, shape[0] * 2**octave // cell[0])
        columns = max(2, shape[1] * 2**octave // cell[1])
        if rows > shape[0] or columns > shape[1]:
            break
        grid = rng.standard_normal((rows, columns)).astype(np.float32)
        grid = np.concatenate([grid, grid[:, :2]], 1)
        wide = round(shape[1] * (columns + 2) / columns)
        total += (
            cv2.resize(grid, (wide, shape[0]), interpolation=cv2.INTER_CUBIC)[:, : shape[1]] * 0.6**octave
        )
    return total / max(float(total.std()), 1e-6)


def paint_table(kind: TableKind, rng: np.random.Generator) -> Picture:
    """A square table-top tile (SIDE_PX, SIDE_PX, 3), sRGB-encoded 0..1, ``TILE_MM`` wide."""
    painter = {
        "wood": _paint_wood,
        "checks": _paint_checks,
        "newsprint": _paint_newsprint,
        "white cloth": _paint_white_cloth,
        "coloured cloth": _paint_coloured_cloth,
        "dark": _paint_dark,
        "floral": _paint_floral,
    }[kind]
    return np.asarray(np.clip(painter(rng), 0.01, 0.95), np.float32)


def _weave(rng: np.random.Generator, strength: float) -> Picture:
    y, x = np.mgrid[0:SIDE_PX, 0:SIDE_PX].astype(np.float32)
    threads = np.sin(x * np.pi / 2) * np.sin(y * np.pi / 2)
    return np.asarray(strength * (threads + 0.7 * wavy_noise(rng, (SIDE_PX, SIDE_PX), (8, 8), 1)), np.float32)


def _paint_wood(rng: np.random.Generator) -> Picture:
    long = wavy_noise(rng, (SIDE_PX, SIDE_PX), (16, 400), 3)
    rings = np.sin(wavy_noise(rng, (SIDE_PX, SIDE_PX), (90, 700), 2) * 6.0)
    tone = 0.5 + 0.06 * long + 0.05 * rings
    base = np.array([[0.62, 0.44, 0.28], [0.42, 0.27, 0.16], [0.75, 0.6, 0.42], [0.3, 0.2, 0.14]])
    colour = base[rng.integers(4)] * rng.uniform(0.85, 1.1)
    boards = SIDE_PX // int(rng.integers(2, 6))
    seam = (np.arange(SIDE_PX) % boards < 2)[:, None]
    return np.asarray(colour * (tone * 2 * np.where(seam, 0.6, 1.0))[..., None], np.float32)


def _paint_checks(rng: np.random.Generator) -> Picture:
    count = int(rng.choice([8, 12, 16, 24]))
    band = (np.arange(SIDE_PX) * count // SIDE_PX) % 2
    level = (band[:, None] + band[None, :]) / 2.0
    dark, light = rng.uniform(0.1, 0.7, 3), rng.uniform(0.75, 0.92, 3)
    return np.asarray(light + (dark - light) * level[..., None] + _weave(rng, 0.015)[..., None], np.float32)


def _paint_newsprint(rng: np.random.Generator) -> Picture:
    sheet = np.full((SIDE_PX, SIDE_PX), 0.82, np.float32)
    for left in range(12, SIDE_PX - 100, 190):
        y = 10
        while y < SIDE_PX - 20:
            tall = 18 if rng.random() < 0.06 else 5
            _print_line(sheet, rng, left, y, tall)
            y += round(tall * 1.7)
    tint = np.array([1.0, 0.98, 0.93])
    grain = 0.01 * rng.standard_normal((SIDE_PX, SIDE_PX, 1))
    return np.asarray(sheet[..., None] * tint + grain, np.float32)


def _print_line(sheet: Picture, rng: np.random.Generator, left: int, y: int, tall: int) -> None:
    x = left
    while x < left + 170:
        word = int(rng.integers(2, 9)) * tall // 2
        strokes = rng.random((tall, word)) < 0.55
        area = sheet[y : y + tall, x : x + word]
        area[strokes[: area.shape[0], : area.shape[1]]] = 0.2
        x += word + max(3, tall // 2)


def _paint_white_cloth(rng: np.random.Generator) -> Picture:
    tint = 0.86 + rng.uniform(-0.05, 0.03, 3)
    folds = 0.02 * wavy_noise(rng, (SIDE_PX, SIDE_PX), (300, 300), 2)
    return tint + (folds + _weave(rng, 0.012))[..., None]


def _paint_coloured_cloth(rng: np.random.Generator) -> Picture:
    colour = rng.uniform(0.12, 0.85, 3)
    stripes = 0.1 * (np.sin(np.arange(SIDE_PX) * 2 * np.pi * rng.integers(3, 24) / SIDE_PX) > 0.6)
    return colour + (stripes[None, :] * (rng.random() < 0.5) + _weave(rng, 0.02))[..., None]


def _paint_dark(rng: np.random.Generator) -> Picture:
    colour = 0.12 + rng.uniform(-0.06, 0.08, 3)
    return colour + 0.015 * wavy_noise(rng, (SIDE_PX, SIDE_PX), (12, 12), 3)[..., None]


def _paint_floral(rng: np.random.Generator) -> Picture:
    canvas = np.full((SIDE_PX, SIDE_PX, 3), 0.0, np.float32) + rng.uniform(0.6, 0.9, 3).astype(np.float32)
    for _ in range(60):
        centre = rng.uniform(0, SIDE_PX, 2)
        colour = tuple(float(c) for c in rng.uniform(0.15, 0.8, 3))
        for petal in range(5):
            turn = petal * 72 + rng.uniform(-8, 8)
            at = centre + 11 * np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
            cv2.ellipse(canvas, (at.astype(int).tolist(), (18, 11), turn), colour, -1, cv2.LINE_AA)
    return canvas + _weave(rng, 0.012)[..., None]
