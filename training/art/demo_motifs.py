"""The ten invented motifs of the demo ware, drawn as vectors; some in two variants."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from training.art.motif_art import Layout, Motif

Floats = NDArray[np.float64]
HEIGHT = 192
OVERSAMPLE = 4
SOURCE = "demo"


class TileCanvas:
    """One repeat, drawn in a frame 1 high; what leaves on one side comes in on the other."""

    def __init__(self, aspect: float) -> None:
        self.aspect = aspect
        self._scale = HEIGHT * OVERSAMPLE
        self._pixels = np.zeros((self._scale, round(self._scale * aspect)), np.uint8)

    def fill(self, points: ArrayLike, value: int = 255) -> None:
        """A closed polygon of (n, 2) points (x, y), filled."""
        for shifted in self._shifted(points):
            cv2.fillPoly(self._pixels, [shifted], value, cv2.LINE_AA, shift=4)

    def stroke(self, points: ArrayLike, width: float, closed: bool = False, value: int = 255) -> None:
        """A line of a given width."""
        thick = max(1, round(width * self._scale))
        for shifted in self._shifted(points):
            cv2.polylines(self._pixels, [shifted], closed, value, thick, cv2.LINE_AA, shift=4)

    def dot(self, x: float, y: float, radius: float, value: int = 255) -> None:
        """A filled disc."""
        self.fill(ring(x, y, radius), value)

    def shape(self, points: ArrayLike, is_open: bool, line: float = 0.022) -> None:
        """A filled shape, or its outline only."""
        if is_open:
            self.fill(points, 0)
            self.stroke(points, line, closed=True)
        else:
            self.fill(points)

    def tile(self) -> NDArray[np.float32]:
        """The drawing as a mask 0..1, ``HEIGHT`` rows."""
        size = (round(self._pixels.shape[1] / OVERSAMPLE), HEIGHT)
        return np.asarray(cv2.resize(self._pixels, size, interpolation=cv2.INTER_AREA), np.float32) / 255.0

    def _shifted(self, points: ArrayLike) -> list[NDArray[np.int32]]:
        line = np.asarray(points, float)
        steps = [np.array([k * self.aspect, 0.0]) for k in (-1, 0, 1)]
        return [np.round((line + step) * self._scale * 16).astype(np.int32) for step in steps]


def ring(x: float, y: float, radius: float, high: float | None = None) -> Floats:
    """Points of a circle, or of an upright ellipse of half height ``high``."""
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return np.stack([x + radius * np.cos(turn), y + (high or radius) * np.sin(turn)], 1)


def leaf(x: float, y: float, turn_deg: float, length: float, width: float) -> Floats:
    """A pointed leaf from its foot at (x, y); 0 degrees points right, 90 up."""
    along = np.linspace(0, 1, 25)
    half = width / 2 * np.sin(np.pi * along**0.8)
    outline = np.concatenate([np.stack([along, half], 1), np.stack([along[::-1], -half[::-1]], 1)])
    outline[:, 0] *= length
    return _turned(outline, x, y, turn_deg)


def _turned(points: Floats, x: float, y: float, turn_deg: float) -> Floats:
    turn = np.radians(turn_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    return np.stack(
        [x + points[:, 0] * cos - points[:, 1] * sin, y - points[:, 0] * sin - points[:, 1] * cos], 1
    )


def spiral(x: float, y: float, start_deg: float, turns: float, outer: float, inner: float) -> Floats:
    """A spiral inward from ``outer`` to ``inner`` radius; positive turns run counter-clockwise."""
    along = np.linspace(0, 1, 80)
    turn = np.radians(start_deg) + 2 * np.pi * turns * along
    radius = outer + (inner - outer) * along**0.8
    return np.stack([x + radius * np.cos(turn), y - radius * np.sin(turn)], 1)


def draw_quern_leaf(variant: str) -> TileCanvas:
    """A waving stem, a leaf in every hollow, turned up and down by turns."""
    canvas = TileCanvas(1.5)
    x = np.linspace(0, 1.5, 120)
    canvas.stroke(np.stack([x, 0.5 + 0.2 * np.sin(2 * np.pi * x / 1.5)], 1), 0.03)
    for sign, base in ((1, 0.375), (-1, 1.125)):
        foot = 0.5 + 0.2 * sign
        for turn, length in ((62, 0.56), (112, 0.42), (22, 0.36)):
            canvas.shape(leaf(base - 0.08, foot, sign * turn, length, 0.2), variant == "open")
        canvas.dot(base + 0.3, 0.5 - 0.3 * sign, 0.045)
    return canvas


def draw_tidewrack(variant: str) -> TileCanvas:
    """A running wave that curls over, with bladders on its back."""
    canvas = TileCanvas(1.1)
    canvas.stroke(spiral(0.62, 0.47, 200, -1.35, 0.34, 0.05), 0.055)
    x = np.linspace(0, 1.1, 80)
    canvas.stroke(np.stack([x, 0.86 - 0.07 * np.sin(2 * np.pi * x / 1.1)], 1), 0.06)
    for step, size in enumerate((0.06, 0.05, 0.04)):
        canvas.dot(0.12 + 0.1 * step, 0.62 - 0.16 * step, size)
    canvas.fill(leaf(0.98, 0.8, 118, 0.5, 0.12))
    return canvas


def draw_lanthorn_key(variant: str) -> TileCanvas:
    """A square key with a lantern pane in each return."""
    canvas = TileCanvas(1.3)
    path = [(0, 0.84), (0.12, 0.84), (0.12, 0.16), (0.78, 0.16), (0.78, 0.66), (0.42, 0.66), (0.42, 0.42)]
    canvas.stroke(path, 0.075)
    canvas.stroke([(0.12, 0.84), (1.3, 0.84)], 0.075)
    pane = [(1.02, 0.14), (1.17, 0.4), (1.02, 0.66), (0.9, 0.4)]
    canvas.shape(pane, variant == "open", 0.03)
    return canvas


def draw_marram(variant: str) -> TileCanvas:
    """Tufts of dune grass over a low bank; the reduced one keeps three blades."""
    canvas = TileCanvas(1.0)
    fan: Sequence[tuple[float, float]] = [(90, 0.74), (66, 0.66), (114, 0.66), (42, 0.56), (138, 0.56)]
    fan = [*fan, (20, 0.46), (160, 0.46)] if variant == "full" else fan[:3]
    for turn, length in fan:
        canvas.fill(leaf(0.5, 0.84, turn, length, 0.085))
    canvas.stroke([(0, 0.92), (1, 0.92)], 0.05)
    canvas.dot(0.0, 0.78, 0.05)
    return canvas


def draw_sedge_swag(variant: str) -> TileCanvas:
    """Hanging swags tied with a bud; the full one has drops between."""
    canvas = TileCanvas(1.6)
    x = np.linspace(0, 1.6, 100)
    for depth, width in ((0.46, 0.04), (0.32, 0.028)):
        canvas.stroke(np.stack([x, 0.18 + depth * np.sin(np.pi * x / 1.6)], 1), width)
    for at in np.linspace(0.2, 1.4, 7):
        y = 0.18 + 0.39 * np.sin(np.pi * at / 1.6)
        canvas.fill(leaf(at, y + 0.06, -90, 0.17, 0.1))
    canvas.dot(0.0, 0.16, 0.085)
    if variant == "full":
        for y, size in ((0.36, 0.05), (0.52, 0.042), (0.66, 0.036)):
            canvas.dot(0.0, y, size)
        canvas.fill(leaf(0.0, 0.7, -90, 0.24, 0.1))
    return canvas


def draw_corbel_star(variant: str) -> TileCanvas:
    """An eight-pointed star under a round arch."""
    canvas = TileCanvas(1.05)
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False) + np.pi / 8
    reach = np.where(np.arange(16) % 2 == 1, 0.27, 0.11)
    star = np.stack([0.525 + reach * np.cos(turn), 0.56 + reach * np.sin(turn)], 1)
    canvas.shape(star, variant == "open", 0.024)
    arch = np.linspace(np.pi, 2 * np.pi, 60)
    canvas.stroke(np.stack([0.525 + 0.44 * np.cos(arch), 0.56 + 0.44 * np.sin(arch)], 1), 0.045)
    for x in (0.085, 0.965):
        canvas.stroke([(x, 0.56), (x, 0.82)], 0.045)
        canvas.fill([(x - 0.07, 0.82), (x + 0.07, 0.82), (x, 0.96)])
    return canvas


def draw_rill_scroll(variant: str) -> TileCanvas:
    """S-scrolls end to end, the same upside down."""
    canvas = TileCanvas(1.7)
    left = spiral(0.42, 0.6, 60, 1.2, 0.27, 0.05)
    right = np.stack([1.7 - left[:, 0], 1.0 - left[:, 1]], 1)
    canvas.stroke(left, 0.05)
    canvas.stroke(right, 0.05)
    canvas.stroke([left[0], (0.85, 0.5), right[0]], 0.05)
    for sign in (1, -1):
        canvas.fill(leaf(0.85, 0.5, 100 if sign > 0 else -80, 0.4, 0.14))
        canvas.dot(0.85 - sign * 0.85, 0.5, 0.05)
    return canvas


def draw_pip_row(variant: str) -> TileCanvas:
    """Lozenges and pips by turns between two fine rules."""
    canvas = TileCanvas(0.9)
    canvas.shape([(0.45, 0.2), (0.66, 0.5), (0.45, 0.8), (0.24, 0.5)], variant == "open", 0.03)
    for y in (0.3, 0.5, 0.7):
        canvas.dot(0.0, y, 0.065)
    for y in (0.06, 0.94):
        canvas.stroke([(0, y), (0.9, y)], 0.04)
    return canvas


def draw_gorse_spray(variant: str) -> TileCanvas:
    """A leaning spray with three blossoms, stamped at intervals."""
    canvas = TileCanvas(1.5)
    x = np.linspace(0.15, 1.3, 60)
    canvas.stroke(np.stack([x, 0.9 - 0.55 * ((x - 0.15) / 1.15) ** 1.6], 1), 0.03)
    for at, turn, length in (
        (0.35, 120, 0.3),
        (0.5, 20, 0.28),
        (0.7, 118, 0.34),
        (0.9, -12, 0.3),
        (1.1, 110, 0.22),
    ):
        y = 0.9 - 0.55 * ((at - 0.15) / 1.15) ** 1.6
        canvas.shape(leaf(at, y, turn, length, 0.12), variant == "open")
    for cx, cy, size in ((0.32, 0.36, 0.16), (0.8, 0.24, 0.18), (1.3, 0.26, 0.15)):
        for petal in range(5):
            turn = np.radians(90 + 72 * petal)
            x_petal, y_petal = cx + 0.6 * size * np.cos(turn), cy - 0.6 * size * np.sin(turn)
            canvas.shape(ring(x_petal, y_petal, 0.42 * size), variant == "open", 0.02)
        canvas.dot(cx, cy, 0.2 * size, 0)
        canvas.dot(cx, cy, 0.12 * size)
    return canvas


def draw_weir_lattice(variant: str) -> TileCanvas:
    """A slanting lattice between rules, a pip in every opening."""
    canvas = TileCanvas(0.8)
    for a, b in (((0, 0.1), (0.8, 0.9)), ((0, 0.9), (0.8, 0.1))):
        canvas.stroke([a, b], 0.045)
    for y in (0.07, 0.93):
        canvas.stroke([(0, y), (0.8, y)], 0.05)
    canvas.shape(ring(0.4, 0.5, 0.11), False)
    canvas.shape(ring(0.0, 0.5, 0.1, 0.16), variant == "open", 0.03)
    for y in (0.24, 0.76):
        canvas.dot(0.4, y, 0.05)
    return canvas


_Drawer = Callable[[str], TileCanvas]
# name, drawing, layout, frieze group, variants
DEMO_DRAWINGS: tuple[tuple[str, _Drawer, Layout, str, tuple[str | None, ...]], ...] = (
    ("Quern Leaf", draw_quern_leaf, "continuous", "p11g", ("filled", "open")),
    ("Tidewrack", draw_tidewrack, "continuous", "p1", (None,)),
    ("Lanthorn Key", draw_lanthorn_key, "continuous", "p1", ("filled", "open")),
    ("Marram", draw_marram, "continuous", "p1m1", ("full", "reduced")),
    ("Sedge Swag", draw_sedge_swag, "continuous", "p1m1", ("full", "reduced")),
    ("Corbel Star", draw_corbel_star, "spaced", "p1m1", ("filled", "open")),
    ("Rill Scroll", draw_rill_scroll, "continuous", "p2", (None,)),
    ("Pip Row", draw_pip_row, "continuous", "p2mm", ("filled", "open")),
    ("Gorse Spray", draw_gorse_spray, "spaced", "p1", ("filled", "open")),
    ("Weir Lattice", draw_weir_lattice, "continuous", "p2mm", (None,)),
)


def load_demo_motifs() -> list[Motif]:
    """Every demo motif in every variant; ids such as ``demo/quern-leaf/open``."""
    motifs = []
    for name, drawer, layout, symmetry, variants in DEMO_DRAWINGS:
        for variant in variants:
            stem = "demo/" + name.lower().replace(" ", "-")
            motif_id = stem if variant is None else f"{stem}/{variant}"
            tile = drawer(variant or "full").tile()
            motifs.append(Motif(motif_id, name, SOURCE, tile, layout, symmetry, variant))
    return motifs
