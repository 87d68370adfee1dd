"""Single ornaments of our own: leaf, rosette, star, shell and the like, each varied by a seeded generator.

Every drawer gets a generator and a canvas half-width ``r`` and returns ink cropped to what it drew.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from training.art.ink import (
    Canvas,
    Ink,
    Points,
    crop_to_ink,
    move_points,
    smooth_curve,
    spread_round,
    turn_points,
)

Drawer = Callable[[np.random.Generator, float], Ink]
SIDE_PX = 96


def draw_element(kind: str, rng: np.random.Generator) -> Ink:
    """Ink (h, w) 0..1 of one ornament, cropped; ``kind`` is a key of ``ELEMENTS``."""
    return crop_to_ink(ELEMENTS[kind](rng, 0.46 * SIDE_PX))


def _petal(length: float, width: float, tip: float, base: float = 0.0) -> Points:
    """A leaf along +x from ``base`` to ``length``; ``tip`` 0 round, 1 pointed."""
    t = np.linspace(0, np.pi, 24)
    half = width * np.sin(t) ** (0.7 + 0.9 * tip)
    x = base + (length - base) * (1 - np.cos(t)) / 2
    return np.concatenate([np.stack([x, half], 1), np.stack([x, -half], 1)[::-1]])


def _middle(points: Points) -> Points:
    return np.asarray(points + SIDE_PX / 2)


def _leaf(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    bend = rng.uniform(-0.5, 0.5)
    width = rng.uniform(0.3, 0.75)
    lobes = int(rng.integers(0, 6))
    t = np.linspace(0, 1, 40)
    half = width * np.sin(np.pi * t**0.8) * (1 + (0.22 * np.abs(np.sin(lobes * np.pi * t)) if lobes else 0))
    spine = np.stack([2 * t - 1, bend * (4 * (t - 0.5) ** 2 - 0.5)], 1)
    edge = np.concatenate([spine + np.stack([0 * t, half], 1), (spine - np.stack([0 * t, half], 1))[::-1]])
    canvas.fill(_middle(r * edge))
    if rng.random() < 0.7:
        canvas.stroke(_middle(r * spine), rng.uniform(1.5, 4), ink=0)
    for at in t[5 : -6 : int(rng.integers(5, 9))] if rng.random() < 0.5 else []:
        base = np.array([2 * at - 1, bend * (4 * (at - 0.5) ** 2 - 0.5)])
        for side in (-1, 1):
            canvas.stroke(
                _middle(r * np.array([base, base + np.array([0.2, side * 0.4 * width])])), 1.6, ink=0
            )
    return canvas.ink()


def _rosette(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    count = int(rng.integers(4, 13))
    width = rng.uniform(0.5, 1.05) * np.pi / count
    start = rng.choice([0, np.pi / 2, np.pi / count])
    canvas.fill(*[_middle(r * p) for p in spread_round(_petal(1, width, rng.random(), 0.12), count, start)])
    hole = rng.uniform(0.12, 0.34)
    canvas.dot(SIDE_PX / 2, SIDE_PX / 2, r * hole, ink=0)
    canvas.dot(SIDE_PX / 2, SIDE_PX / 2, r * hole * rng.uniform(0.3, 0.75))
    return canvas.ink()


def _star(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    count, inner = int(rng.integers(4, 11)), rng.uniform(0.2, 0.65)
    angles = np.arange(2 * count) * np.pi / count - np.pi / 2
    radius = np.where(np.arange(2 * count) % 2 == 0, 1.0, inner)
    star = np.stack([radius * np.cos(angles), radius * np.sin(angles)], 1)
    canvas.fill(_middle(r * star))
    if rng.random() < 0.4:
        canvas.fill(_middle(r * rng.uniform(0.3, 0.7) * star), ink=0)
    if rng.random() < 0.4:
        canvas.dot(SIDE_PX / 2, SIDE_PX / 2, r * inner * 0.5, ink=float(rng.random() < 0.3))
    return canvas.ink()


def _foil(rng: np.random.Generator, r: float) -> Ink:
    """Trefoil, quatrefoil, cinquefoil, with or without a stem."""
    canvas = Canvas(SIDE_PX, SIDE_PX)
    count = int(rng.integers(3, 6))
    lobe, out = rng.uniform(0.28, 0.45), rng.uniform(0.4, 0.55)
    for k in range(count):
        angle = 2 * np.pi * k / count - np.pi / 2
        x, y = SIDE_PX / 2 + r * out * np.cos(angle), SIDE_PX / 2 + r * out * np.sin(angle)
        canvas.dot(x, y, r * lobe)
    if rng.random() < 0.5:
        canvas.dot(SIDE_PX / 2, SIDE_PX / 2, r * rng.uniform(0.12, 0.25), ink=0)
    if rng.random() < 0.6:
        bend = rng.uniform(-0.4, 0.4)
        canvas.stroke(_middle(r * np.array([[0, 0], [bend / 3, 0.6], [bend, 1.0]])), rng.uniform(2, 6))
    return canvas.ink()


def _cross(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    arm, flare, waist = 1.0, rng.uniform(0.12, 0.5), rng.uniform(0.06, 0.25)
    limb = np.array([[0, -waist], [arm, -flare], [arm * rng.uniform(0.75, 1.1), 0], [arm, flare], [0, waist]])
    canvas.fill(*[_middle(r * limb_at) for limb_at in spread_round(limb, 4)])
    canvas.dot(SIDE_PX / 2, SIDE_PX / 2, r * rng.uniform(0.1, 0.3), ink=float(rng.random() < 0.5))
    return canvas.ink()


def _shell(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    ribs = int(rng.integers(5, 12))
    spread = rng.uniform(0.9, 1.4)
    angles = -np.pi / 2 + spread * np.linspace(-1, 1, ribs)
    for angle in angles:
        rib = turn_points(_petal(1.75, 0.8 * spread / ribs * 1.75, 0.2, 0.1), angle)
        canvas.fill(_middle(r * move_points(rib, 0, 0.85)))
    canvas.dot(SIDE_PX / 2, SIDE_PX / 2 + 0.85 * r, r * rng.uniform(0.1, 0.22))
    return canvas.ink()


def _spiral(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    turns, thick = rng.uniform(1.2, 2.6), rng.uniform(3, 9)
    t = np.linspace(0.08, 1, 90)
    angle = 2 * np.pi * turns * t + rng.uniform(0, 2 * np.pi)
    curve = np.stack([t * np.cos(angle), t * np.sin(angle)], 1) * 0.9
    canvas.stroke(_middle(r * curve), thick)
    canvas.dot_at(_middle(r * curve)[0], thick * rng.uniform(0.5, 1.3))
    if rng.random() < 0.6:
        leaf = turn_points(_petal(0.8, 0.2, 1.0), angle[-1] + 1.2) + curve[-1] * 0.8
        canvas.fill(_middle(r * 0.8 * leaf))
    return canvas.ink()


def _sprig(rng: np.random.Generator, r: float) -> Ink:
    """A bent stem with leaves or berries on both sides or one."""
    canvas = Canvas(SIDE_PX, SIDE_PX)
    bend, count = rng.uniform(-0.6, 0.6), int(rng.integers(3, 8))
    t = np.linspace(0, 1, 30)
    stem = np.stack([bend * np.sin(np.pi * t / 1.3), 1 - 2 * t], 1)
    canvas.stroke(_middle(r * stem), rng.uniform(1.5, 4))
    both, berries, size = rng.random() < 0.7, rng.random() < 0.3, rng.uniform(0.3, 0.55)
    for k in range(count):
        base = stem[int((k + 0.6) / (count + 0.6) * 29)]
        for side in (-1, 1) if both else ((-1) ** k,):
            tilt = -np.pi / 2 + side * rng.uniform(0.7, 0.9)
            end = base + size * np.array([np.cos(tilt), np.sin(tilt)])
            if berries:
                canvas.stroke(_middle(r * np.array([base, end * 0.98])), 1.5)
                canvas.dot_at(_middle(r * end), 0.13 * r)
            else:
                canvas.fill(_middle(r * (turn_points(_petal(size, size * 0.3, 0.7), tilt) + base)))
    canvas.fill(_middle(r * (turn_points(_petal(0.35, 0.13, 0.8), -np.pi / 2) + stem[-1] + [0, 0.12])))
    return canvas.ink()


def _palmette(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    pairs, curl = int(rng.integers(2, 5)), rng.uniform(0.1, 0.5)
    canvas.fill(_middle(r * move_points(turn_points(_petal(1.8, 0.22, 0.6), -np.pi / 2), 0, 0.9)))
    for k in range(1, pairs + 1):
        length = 1.75 * (1 - 0.5 * k / (pairs + 1))
        for side in (-1, 1):
            tilt = -np.pi / 2 + side * k * (1.25 / pairs)
            petal = turn_points(_petal(length, 0.17, 0.4, 0.15), tilt)
            petal[:, 1] += curl * petal[:, 0] ** 2 * 0.5
            canvas.fill(_middle(r * move_points(petal, 0, 0.85)))
    canvas.dot(SIDE_PX / 2, SIDE_PX / 2 + 0.9 * r, 0.12 * r)
    return canvas.ink()


def _blot(rng: np.random.Generator, r: float) -> Ink:
    """A smooth asymmetric shape: paisley, comma, cloud."""
    canvas = Canvas(SIDE_PX, SIDE_PX)
    count = int(rng.integers(5, 10))
    angles = 2 * np.pi * (np.arange(count) + rng.uniform(-0.25, 0.25, count)) / count
    radius = rng.uniform(0.35, 1.0, count)
    outer = smooth_curve(list(zip(radius * np.cos(angles), radius * np.sin(angles), strict=True)))
    canvas.fill(_middle(r * 0.9 * outer))
    if rng.random() < 0.6:
        canvas.fill(_middle(r * rng.uniform(0.35, 0.65) * outer), ink=0)
    return canvas.ink()


def _bell(rng: np.random.Generator, r: float) -> Ink:
    """A hanging flower with a fringe."""
    canvas = Canvas(SIDE_PX, SIDE_PX)
    mouth, waist, drops = rng.uniform(0.5, 1.0), rng.uniform(0.15, 0.4), int(rng.integers(2, 6))
    side = [
        (-waist, -0.8),
        (-waist * 1.1, -0.2),
        (-mouth, 0.5),
        (mouth, 0.5),
        (waist * 1.1, -0.2),
        (waist, -0.8),
    ]
    canvas.fill(_middle(r * smooth_curve(side)))
    for x in np.linspace(-mouth * 0.8, mouth * 0.8, drops):
        canvas.dot(SIDE_PX / 2 + r * x, SIDE_PX / 2 + r * 0.72, 0.13 * r)
    canvas.stroke(_middle(r * np.array([[0, -1.0], [0, -0.7]])), 3)
    return canvas.ink()


def _lozenge(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    width, rings = rng.uniform(0.4, 1.0), int(rng.integers(1, 4))
    shape = np.array([[0, -1], [width, 0], [0, 1], [-width, 0]])
    if rng.random() < 0.4:
        angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        shape = np.stack([width * np.cos(angles), np.sin(angles)], 1)
    for k in range(rings):
        canvas.fill(_middle(r * shape * (1 - k / rings * 0.9)), ink=float(k % 2 == 0))
    return canvas.ink()


def _dot(rng: np.random.Generator, r: float) -> Ink:
    canvas = Canvas(SIDE_PX, SIDE_PX)
    canvas.dot(SIDE_PX / 2, SIDE_PX / 2, r)
    if rng.random() < 0.4:
        canvas.dot(SIDE_PX / 2, SIDE_PX / 2, r * rng.uniform(0.3, 0.7), ink=0)
    return canvas.ink()


ELEMENTS: dict[str, Drawer] = {
    "leaf": _leaf,
    "rosette": _rosette,
    "star": _star,
    "foil": _foil,
    "cross": _cross,
    "shell": _shell,
    "spiral": _spiral,
    "sprig": _sprig,
    "palmette": _palmette,
    "blot": _blot,
    "bell": _bell,
    "lozenge": _lozenge,
    "dot": _dot,
}
# Ornaments kept for other splits than training, so that procedural art is disjoint too.
HELD_OUT = {"validation": ("palmette", "bell"), "exam": ("shell", "spiral")}
