"""Running ornaments of our own, one cell each: vine, scroll, meander, rope, lattice, swags and the like.

A drawer paints three cells side by side; the middle one is cut out, so that it joins itself without a seam.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from training.art.elements import draw_element
from training.art.ink import TILE_HEIGHT, Canvas, Ink, Points, move_points, scale_to_height

H = TILE_HEIGHT
Drawer = Callable[[Canvas, np.random.Generator, int], None]


def draw_course(kind: str, rng: np.random.Generator, width_px: int | None = None) -> Ink:
    """Ink (96, width) 0..1 of one cell; ``kind`` is a key of ``COURSES``."""
    width = width_px or int(rng.integers(40, 150))
    canvas = Canvas(3 * width)
    COURSES[kind](canvas, rng, width)
    return canvas.ink()[:, width : 2 * width]


def _wave(width: int, cells: int, height: float, middle: float, phase: float = 0.0) -> Points:
    x = np.linspace(-width, (cells + 1) * width, 60 * (cells + 2))
    return np.stack([x, middle * H + height * H * np.sin(2 * np.pi * (x / width) + phase)], 1)


def _vine(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    swing, thick = rng.uniform(0.08, 0.3), rng.uniform(1.5, 5)
    canvas.stroke(_wave(width, 3, swing, 0.5), thick)
    length, fat, tilt = rng.uniform(0.25, 0.55), rng.uniform(0.1, 0.2), rng.uniform(0.3, 1.2)
    berries, leaves = rng.random() < 0.4, int(rng.integers(1, 4))
    t = np.linspace(0, np.pi, 16)
    for cell in range(-1, 4):
        for k in range(2 * leaves):
            at = cell + (k + 0.5) / (2 * leaves)
            base = np.array([at * width, H / 2 + swing * H * np.sin(2 * np.pi * at)])
            side = 1 if k % 2 else -1
            along = np.stack([length * H * (1 - np.cos(t)) / 2, fat * H * np.sin(t)], 1)
            leaf = np.concatenate([along, (along * [1, -1])[::-1]])
            angle = side * tilt
            turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
            canvas.fill(leaf @ turn + base)
            if berries:
                canvas.dot(base[0], base[1] - side * 0.16 * H, 0.05 * H)


def _scroll(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    """Running spirals; sometimes alternately turned over."""
    turns, thick, flip = rng.uniform(1.0, 2.2), rng.uniform(2.5, 7), rng.random() < 0.5
    radius = min(0.36 * H, 0.45 * width * (0.5 if flip else 1.0))
    t = np.linspace(0.06, 1, 70)
    per_cell = 2 if flip else 1
    for k in range(-per_cell, 4 * per_cell):
        x0 = (k + 0.5) * width / per_cell
        over = -1 if flip and k % 2 else 1
        angle = 2 * np.pi * turns * (t - 1)
        curl = np.stack([x0 + radius * t * np.sin(angle), H / 2 + over * radius * t * np.cos(angle)], 1)
        canvas.stroke(curl, thick)
        canvas.dot_at(curl[0], 0.8 * thick)
        join = np.stack(
            [np.linspace(curl[-1, 0], curl[-1, 0] + width / per_cell, 12), np.full(12, curl[-1, 1])], 1
        )
        if flip:
            join[:, 1] = H / 2 + over * radius * np.cos(np.linspace(0, np.pi, 12))
        canvas.stroke(join, thick)


def _meander(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    """A key: a square line that winds in and out."""
    keys = (
        [(0, 1), (0, 0), (0.75, 0), (0.75, 0.7), (0.4, 0.7), (0.4, 0.4), (0.55, 0.4), (0.55, 0.55)],
        [(0, 1), (0, 0), (0.6, 0), (0.6, 0.6), (0.3, 0.6), (0.3, 0.3)],
        [(0, 1), (0, 0), (0.5, 0), (0.5, 1), (1, 1)],
        [(0, 1), (0, 0), (0.8, 0), (0.8, 0.75), (0.5, 0.75), (0.5, 1), (1, 1)],
    )
    key = np.array(keys[int(rng.integers(len(keys)))])
    top, bottom, thick = rng.uniform(0.1, 0.3), rng.uniform(0.7, 0.9), rng.uniform(3, 8)
    for cell in range(-1, 4):
        points = key * [width, (bottom - top) * H] + [cell * width, top * H]
        canvas.stroke(points, thick)
        end = np.array([[cell * width, bottom * H], [(cell + 1) * width, bottom * H]])
        canvas.stroke(end, thick)


def _rope(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    top, bottom = rng.uniform(0.15, 0.35), rng.uniform(0.65, 0.85)
    strands = max(2, round(width / rng.uniform(20, 45)))
    lean, fat = rng.uniform(0.4, 1.3), rng.uniform(0.25, 0.42)
    step = width / strands
    t = np.linspace(-1, 1, 20)
    for k in range(-strands, 4 * strands):
        x = (k + 0.5) * step + lean * step * t
        y = (top + (bottom - top) * (t + 1) / 2) * H
        bulge = fat * step * np.sqrt(np.maximum(1 - t**2, 0))
        canvas.fill(np.concatenate([np.stack([x - bulge, y], 1), np.stack([x + bulge, y], 1)[::-1]]))


def _lattice(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    diamonds = max(1, round(width / rng.uniform(24, 60)))
    step, thick, rows = width / diamonds, rng.uniform(1.5, 5), int(rng.integers(1, 3))
    top, bottom = 0.12 * H, 0.88 * H
    for k in range(-2 * rows - diamonds, 4 * diamonds + 2 * rows):
        for side in (-1, 1):
            line = np.array([[k * step, top], [k * step + side * rows * step, bottom]])
            canvas.stroke(line, thick)
    if rng.random() < 0.6:
        for k in range(-diamonds, 4 * diamonds):
            canvas.dot((k + 0.5 * (rows % 2)) * step, H / 2, rng.choice([0.05, 0.08]) * H)
    for y in (top, bottom):
        canvas.stroke(np.array([[-width, y], [4 * width, y]], float), thick)


def _swag(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    sag, thick, beads = rng.uniform(0.25, 0.6), rng.uniform(2, 7), int(rng.integers(0, 9))
    top, double = 0.16 * H, rng.random() < 0.4
    t = np.linspace(-1, 1, 30)
    drop = draw_element(str(rng.choice(["leaf", "foil", "lozenge", "dot", "star"])), rng)
    for cell in range(-1, 4):
        for depth in (1.0, 0.6) if double else (1.0,):
            curve = np.stack([(cell + 0.5 + t / 2) * width, top + depth * sag * H * (1 - t**2)], 1)
            if beads:
                for k in np.linspace(0, 29, 3 + beads).astype(int):
                    canvas.dot_at(curve[k], thick * 1.1)
            else:
                canvas.stroke(curve, thick)
        canvas.dot(cell * width, top, 1.2 * thick + 2)
    _stamp_between(canvas, scale_to_height(drop, int(0.3 * H), width // 2), width, 0.12 * H + top)


def _stamp_between(canvas: Canvas, ink: Ink, width: int, top_px: float) -> None:
    """Lay ink under each cell's border."""
    paint = canvas._paint
    big = np.kron((255 * ink).astype(np.uint8), np.ones((2, 2), np.uint8))
    y = int(2 * top_px)
    for cell in (1, 2):
        x = 2 * cell * width - big.shape[1] // 2
        part = paint[y : y + big.shape[0], x : x + big.shape[1]]
        np.maximum(part, big[: part.shape[0], : part.shape[1]], out=part)


def _scallop(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    lobes, rings, thick = (
        max(1, round(width / rng.uniform(25, 70))),
        int(rng.integers(1, 4)),
        rng.uniform(1.5, 5),
    )
    step, base = width / lobes, rng.uniform(0.2, 0.4)
    angles = np.linspace(0, np.pi, 24)
    for k in range(-lobes, 4 * lobes):
        for ring in range(rings):
            r = step / 2 * (1 - ring / (rings + 0.4))
            height = r * min(1.6, 0.55 * H / (step / 2))
            arc = np.stack([(k + 0.5) * step + r * np.cos(angles), base * H + height * np.sin(angles)], 1)
            canvas.stroke(arc, thick)
        canvas.dot(k * step, base * H, 2.0 + 0.6 * thick)
    if rng.random() < 0.6:
        canvas.stroke(np.array([[-width, base * H], [4 * width, base * H]], float), thick)


def _zigzag(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    teeth, thick = max(1, round(width / rng.uniform(25, 60))), rng.uniform(2, 6)
    low, dots = rng.uniform(0.2, 0.38), rng.random() < 0.5
    for k in range(-teeth, 4 * teeth):
        x = np.array([k, k + 0.5, k + 1]) * width / teeth
        canvas.stroke(np.stack([x, np.array([1 - low, low, 1 - low]) * H], 1), thick)
        if dots:
            canvas.dot(x[1], (1 - low) * H, 4)
            canvas.dot(x[0], low * H, 4)


def _guilloche(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    swing, thick = rng.uniform(0.15, 0.3), rng.uniform(2, 6)
    for phase in (0.0, np.pi):
        canvas.stroke(_wave(width, 3, swing, 0.5, phase), thick)
    eye = rng.uniform(0.04, 0.1)
    for k in range(-2, 8):
        canvas.dot((k / 2 + 0.25) * width, H / 2, eye * H)


def _arcade(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    """Arches on posts."""
    arches, thick = max(1, round(width / rng.uniform(30, 70))), rng.uniform(2, 6)
    step, top, foot = width / arches, rng.uniform(0.15, 0.3), rng.uniform(0.7, 0.88)
    angles = np.linspace(np.pi, 2 * np.pi, 20)
    spring = top * H + step / 2
    for k in range(-arches, 4 * arches):
        arc = np.stack([(k + 0.5) * step + step / 2 * np.cos(angles), spring + step / 2 * np.sin(angles)], 1)
        canvas.stroke(arc, thick)
        canvas.stroke(np.array([[k * step, spring], [k * step, foot * H]]), thick)
        canvas.dot((k + 0.5) * step, (foot - 0.06) * H, 0.05 * H)
    canvas.stroke(np.array([[-width, foot * H], [4 * width, foot * H]], float), thick)


def _eggs(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    """Egg and dart."""
    eggs = max(1, round(width / rng.uniform(40, 80)))
    step, thick = width / eggs, rng.uniform(1.5, 4)
    angles = np.linspace(0, 2 * np.pi, 40)
    for k in range(-eggs, 4 * eggs):
        x = (k + 0.5) * step
        for size, ink in ((0.36, 1.0), (0.36 - 2 * thick / step, 0.0), (0.2, 1.0)):
            egg = np.stack([x + size * step * np.cos(angles), H * (0.5 + size * np.sin(angles))], 1)
            canvas.fill(egg, ink=ink)
        dart = np.array([[0, 0.78], [-0.1, 0.5], [0, 0.16], [0.1, 0.5]]) * [step, H]
        canvas.fill(move_points(dart, k * step, 0))


def _beads(canvas: Canvas, rng: np.random.Generator, width: int) -> None:
    count = max(2, round(width / rng.uniform(16, 36)))
    large, small = rng.uniform(0.2, 0.45), rng.uniform(0.08, 0.3)
    step, every = width / count, int(rng.integers(2, 4))
    for k in range(-count, 4 * count):
        big = k % count % every == 0
        canvas.dot((k + 0.5) * step, H / 2, min((large if big else small) * step, 0.3 * H))
        if big:
            for side in (-1, 1):
                canvas.dot((k + 0.5) * step, H / 2 + side * 0.32 * H, small * step * 0.6)


COURSES: dict[str, Drawer] = {
    "vine": _vine,
    "scroll": _scroll,
    "meander": _meander,
    "rope": _rope,
    "lattice": _lattice,
    "swag": _swag,
    "scallop": _scallop,
    "zigzag": _zigzag,
    "guilloche": _guilloche,
    "arcade": _arcade,
    "eggs": _eggs,
    "beads": _beads,
}
HELD_OUT = {"validation": ("arcade", "guilloche"), "exam": ("eggs", "meander")}
