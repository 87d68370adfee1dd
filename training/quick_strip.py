"""Strips drawn straight as contrasts with the glaze: no camera geometry, a few milliseconds each.

The network sees nothing but luminance contrast and how far the colour is shifted, not where to, so most of
its training needs no more than this: a border in metal that mirrors something brighter here and darker
there, worn, blurred, noisy, compressed, cut off, beside lines, under clutter, with its rows misjudged. Light
and the real separation of print from glaze are the business of the full renderer
(``training.render.strip``), which is mixed in.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import Band, Bands
from model.motif import MARGIN_SHARE, WINDOW_HEIGHT, WINDOW_WIDTH
from model.rim_band import RimStrip
from training.art.motif_art import Motif
from training.unrolling_errors import judge_rows_badly, unroll_badly

Map = npt.NDArray[np.float32]

LOWEST_BORDER_PX, HIGHEST_BORDER_PX = 11, 90
# Rows drawn above and below the border, as shares of its height: room for lines, margins and errors.
SURROUND_SHARE = 0.6
# A section of the strip this many windows long is enough to choose windows from.
SHORTEST_WINDOWS, LONGEST_WINDOWS = 1.2, 3.0
INK_THRESHOLD = 0.3
LEAST_BLUR_PX = 0.3
LEAST_LUMINANCE = 0.01
# Shift in (ln R/G, ln B/G) of borders from their glaze in rendered photos: 0.07 to 0.5 at the 90th percentile
# of the border's pixels; its noise on the bare glaze 0.01 to 0.1.
NO_TINT_SHARE, LEAST_TINT, MOST_TINT = 0.3, 0.05, 0.8
LEAST_TINT_NOISE, MOST_TINT_NOISE = 0.005, 0.1


def draw_quick_strip(
    motif: Motif, rng: np.random.Generator, without: str = "", unrolling_share: float = 0.0
) -> tuple[RimStrip, Bands]:
    """One section of a strip with the motif, its contrast (h, w) float32 and its judged border rows.

    ``without`` names a part of the simulation to leave out (``training.ablations``). ``unrolling_share`` of
    the strips show the errors of unrolling a tilted rim (``training.unrolling_errors``).
    """
    height = round(float(np.exp(rng.uniform(np.log(LOWEST_BORDER_PX), np.log(HIGHEST_BORDER_PX)))))
    ink, row0 = _lay_border(motif, height, rng)
    ink = _press(ink, height, rng)
    opacity = ink if without == "wear" else _wear(ink, height, rng)
    opacity = np.maximum(opacity, _draw_lines(ink.shape, row0, height, rng))
    luminance = _reflect(opacity, height, rng, even=without == "environment colour")
    luminance = _clutter(luminance, height, rng)
    tint = _tint(opacity, height, rng, even=without == "environment colour")
    hidden = np.zeros(ink.shape, bool)
    badly = bool(unrolling_share) and rng.random() < unrolling_share
    if badly:
        planes, hidden = unroll_badly(np.dstack([luminance, tint]), height, rng)
        luminance, tint = planes[..., 0], planes[..., 1]
    tint = _photograph_tint(tint, rng, without)
    luminance = photograph(luminance, height, rng, without)
    contrast = _misjudge_glaze(np.log(luminance), height, rng)
    seen = _cover(ink.shape, height, rng) & ~hidden
    first, last = _misjudge_rows(row0, row0 + height, ink.shape[0], height, rng)
    if badly:
        first, last = judge_rows_badly(first, last, rng)
    return _as_strip(contrast, tint, seen, first, last)


def ink_rows(tile: Map) -> tuple[int, int]:
    """First and last row (half-open) of a tile that carry ink."""
    rows = np.flatnonzero(tile.max(axis=1) > INK_THRESHOLD)
    return (int(rows[0]), int(rows[-1]) + 1) if len(rows) else (0, tile.shape[0])


def _lay_border(motif: Motif, height: int, rng: np.random.Generator) -> tuple[Map, int]:
    """Ink (h, w) of a row of repeats, its inked rows ``height`` high, and the first of those rows."""
    tile = motif.tile
    first, last = ink_rows(tile)
    scale = height / (last - first)
    aspect_error = rng.uniform(0.9, 1.1)
    pitch = max(4.0, tile.shape[1] * scale * aspect_error)
    stamp = cv2.resize(
        tile[first:last],
        (max(4, round(pitch)), height),
        interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR,
    )
    if motif.layout == "spaced":
        gap = round(float(rng.uniform(0.3, 3.0)) * height)
        stamp = np.pad(stamp, ((0, 0), (0, gap)))
    window = WINDOW_WIDTH / WINDOW_HEIGHT * (1 + 2 * MARGIN_SHARE) * height
    width = int(max(rng.uniform(SHORTEST_WINDOWS, LONGEST_WINDOWS) * window, window + 0.7 * stamp.shape[1]))
    row = np.tile(stamp, (1, width // stamp.shape[1] + 2))
    start = int(rng.integers(stamp.shape[1]))
    above = round(SURROUND_SHARE * height)
    return np.pad(row[:, start : start + width], ((above, above), (0, 0))).astype(np.float32), above


def smooth_noise(shape: tuple[int, ...], cell_px: tuple[float, float], rng: np.random.Generator) -> Map:
    """Normal noise smooth over cells of (rows, columns) px; standard deviation about 1."""
    rows, columns = shape[0], shape[1]
    small = rng.normal(size=(max(1, round(rows / cell_px[0])) + 1, max(1, round(columns / cell_px[1])) + 1))
    out: Map = cv2.resize(small.astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC)
    return out


def _press(ink: Map, height: int, rng: np.random.Generator) -> Map:
    """Bend the row a little, as unrolling errors do, and spread or starve the ink."""
    rows, columns = ink.shape
    along = np.arange(columns, dtype=np.float32)
    stretch = smooth_noise((1, columns), (1, 4 * height), rng)[0] * rng.uniform(0, 0.12) * height
    wobble = smooth_noise((1, columns), (1, 5 * height), rng)[0] * rng.uniform(0, 0.035) * height
    tilt = (along - columns / 2) * rng.normal(0, 0.008)
    grow = 1 + smooth_noise((1, columns), (1, 6 * height), rng)[0] * rng.uniform(0, 0.05)
    middle = rows / 2
    map_x = np.broadcast_to(along + stretch, ink.shape)
    map_y = (np.arange(rows, dtype=np.float32)[:, None] - middle) * grow + middle + wobble + tilt
    bent = cv2.remap(
        ink,
        np.ascontiguousarray(map_x, np.float32),
        map_y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    spread = rng.uniform(0.01, 0.03) * height
    soft = cv2.GaussianBlur(bent, (0, 0), max(0.3, spread))
    level = 0.5 + rng.uniform(-0.18, 0.18) + 0.06 * rng.random() * smooth_noise(ink.shape, (3, 3), rng)
    pressed: Map = np.clip((soft - level) * 3 + 0.5, 0, 1, dtype=np.float32)
    return pressed


def _wear(ink: Map, height: int, rng: np.random.Generator) -> Map:
    """Rub the film off in patches, fine or coarse, and thin it; half of the strips are sound."""
    if rng.random() < 0.5:
        return ink
    cell = float(np.exp(rng.uniform(np.log(0.06), np.log(1.0)))) * height
    field = smooth_noise(ink.shape, (cell, cell * rng.uniform(1, 3)), rng)
    field = 0.8 * field + 0.4 * smooth_noise(ink.shape, (max(1.5, cell / 4), max(1.5, cell / 4)), rng)
    level = np.quantile(field[::3, ::3], 0.5 * rng.random() ** 1.5)
    left = np.clip((field - level) * rng.uniform(2, 12) + 0.5, rng.uniform(0, 0.3), 1)
    return np.asarray(ink * left, np.float32)


def _draw_lines(shape: tuple[int, ...], row0: int, height: int, rng: np.random.Generator) -> Map:
    """Edge and verge lines near the border, in some strips, close enough to slip into a window."""
    lines = np.zeros((shape[0], shape[1]), np.float32)
    for share, sign in ((0.3, -1), (0.2, 1)):
        if rng.random() < share:
            thick = max(1, round(rng.uniform(0.03, 0.14) * height))
            gap = round(rng.uniform(0.08, 0.5) * height)
            top = row0 - gap - thick if sign < 0 else row0 + height + gap
            lines[max(0, top) : max(0, top + thick)] = 1
    return lines


def _reflect(opacity: Map, height: int, rng: np.random.Generator, even: bool = False) -> Map:
    """Luminance (glaze = 1) of metal that mirrors its surroundings, or of an even paint."""
    level = rng.normal(-0.5, 0.5)
    swing = rng.uniform(0, 0.7) if rng.random() < 0.85 and not even else 0.0
    metal = level + swing * smooth_noise(opacity.shape, (2 * height, rng.uniform(1.5, 12) * height), rng)
    metal = metal + (not even) * rng.uniform(0, 0.25) * smooth_noise(
        opacity.shape, (0.3 * height, 0.3 * height), rng
    )
    if abs(level) < 0.25:
        metal = metal - 0.5  # metal as bright as the glaze all along shows nothing to learn from
    film = np.exp(np.clip(metal, -2.5, 1.2))
    return np.asarray(1 + opacity * (film - 1), np.float32)


def _tint(opacity: Map, height: int, rng: np.random.Generator, even: bool = False) -> Map:
    """Shift in chromaticity of the print from its glaze, none for grey metal on a grey-white glaze."""
    if rng.random() < NO_TINT_SHARE:
        return np.zeros_like(opacity)
    level = np.exp(rng.uniform(np.log(LEAST_TINT), np.log(MOST_TINT)))
    swing = 0.0 if even else rng.uniform(0, 0.6)
    along = 1 + swing * smooth_noise(opacity.shape, (2 * height, rng.uniform(1.5, 12) * height), rng)
    return np.asarray(level * opacity * np.maximum(along, 0), np.float32)


def _photograph_tint(tint: Map, rng: np.random.Generator, without: str = "") -> Map:
    """Colour is stored coarser than brightness, and its noise has a size even where there is no colour."""
    soft = tint if without == "blur" else cv2.GaussianBlur(tint, (0, 0), float(rng.uniform(0.5, 2.0)))
    if without == "balance and phone model":
        return np.asarray(soft, np.float32)
    noise = rng.normal(size=(2, *tint.shape)).astype(np.float32)
    size = LEAST_TINT_NOISE + MOST_TINT_NOISE * rng.random() ** 2
    one, two = (size * cv2.GaussianBlur(field, (0, 0), 0.8) / 0.35 for field in noise)
    return np.asarray(cv2.magnitude(soft + one, two), np.float32)


def _clutter(luminance: Map, height: int, rng: np.random.Generator) -> Map:
    """Decal blots, embossing under the stamp, glare: each in a few strips."""
    if rng.random() < 0.1:
        field = smooth_noise(luminance.shape, (0.25 * height, 0.25 * height), rng)
        field *= smooth_noise(luminance.shape, (2 * height, 2 * height), rng) > 0.6
        luminance = luminance * np.exp(-0.5 * np.clip(field - 0.5, 0, 1))
    if rng.random() < 0.08:
        relief = smooth_noise(luminance.shape, (0.2 * height, 0.35 * height), rng)
        luminance = luminance * np.exp(rng.uniform(0.02, 0.06) * relief)
    if rng.random() < 0.15:
        glare = np.clip(smooth_noise(luminance.shape, (height, 2 * height), rng) - 1.2, 0, 1)
        luminance = luminance + 1.5 * glare
    return luminance.astype(np.float32)


def photograph(luminance: Map, height: int, rng: np.random.Generator, without: str = "") -> Map:
    """Blur, exposure with clipping, tone, noise, sharpening, 8 bits and JPEG; luminance relative to glaze."""
    blur = rng.uniform(0.3, 1.0) + (rng.uniform(0, 0.035) * height if rng.random() < 0.4 else 0.0)
    if without == "blur":
        blur = LEAST_BLUR_PX
    image = cv2.GaussianBlur(luminance, (0, 0), sigmaX=blur * rng.uniform(0.8, 1.5), sigmaY=blur)
    if without == "balance and phone model":
        return np.asarray(np.maximum(image, LEAST_LUMINANCE), np.float32)
    glaze = float(rng.uniform(0.25, 0.85))
    encoded = np.clip(image * glaze, 0.002, 1) ** (1 / 2.2)
    encoded += rng.normal(0, 1, encoded.shape).astype(np.float32) * 0.02 * rng.random() ** 2
    if rng.random() < 0.5:
        encoded += rng.uniform(0.2, 1.2) * (encoded - cv2.GaussianBlur(encoded, (0, 0), 1.5))
    stored = np.clip(encoded * 255, 1, 255).astype(np.uint8)
    if rng.random() < 0.7:
        quality = int(rng.integers(60, 97))
        stored = cv2.imdecode(
            cv2.imencode(".jpg", stored, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE
        )
    relative = np.maximum(stored.astype(np.float32) / 255, 1 / 255) / glaze ** (1 / 2.2)
    return np.asarray(relative ** rng.uniform(1.6, 2.6), np.float32)


def _misjudge_glaze(contrast: Map, height: int, rng: np.random.Generator) -> Map:
    """Leave some of the shading in, and take some of the print for glaze."""
    shading = smooth_noise(contrast.shape, (1.5 * height, 3 * height), rng) * rng.uniform(0, 0.05)
    taken = cv2.blur(contrast, (int(2 * height) | 1, int(0.8 * height) | 1)) * rng.uniform(0, 0.25)
    if rng.random() < 0.25:
        shading = shading + 0.5 * smooth_noise(contrast.shape, (9 * height, 6 * height), rng)
    return np.asarray(contrast + shading - taken, np.float32)


def _cover(shape: tuple[int, ...], height: int, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Seen mask with a covered corner or stretch in some strips."""
    seen = np.ones((shape[0], shape[1]), bool)
    if rng.random() < 0.2:
        field = smooth_noise(shape, (1.5 * height, 2 * height), rng)
        seen &= field < np.quantile(field, rng.uniform(0.6, 1.0))
    return seen


def _misjudge_rows(row0: int, row1: int, rows: int, height: int, rng: np.random.Generator) -> tuple[int, int]:
    """Border rows as a separation would judge them: mostly close, now and then far off."""
    roll = rng.random()
    error = 0.15 if roll < 0.15 else 0.04
    wide = rng.uniform(0, 0.5, 2) * height if roll > 0.85 else np.zeros(2)  # a line or bare glaze taken in
    judged = np.array([row0, row1]) + rng.normal(0, error * height, 2) + wide * [-1, 1]
    first, last = round(float(judged[0])), round(float(judged[1]))
    least = max(5, round(0.5 * height))
    return max(0, min(first, rows - least)), min(rows, max(last, first + least))


def _as_strip(
    contrast: Map, tint: Map, seen: npt.NDArray[np.bool_], first: int, last: int
) -> tuple[RimStrip, Bands]:
    """The least of a strip and of bands: pixels are left black, for ``cut_windows`` reads none."""
    rows, columns = contrast.shape
    black = np.zeros((1, 1, 3))
    nothing = np.broadcast_to(np.zeros((1, 1), bool), (rows, columns))
    strip = RimStrip(
        encoded=np.broadcast_to(black.astype(np.uint8), (rows, columns, 3)),
        linear_rgb=np.broadcast_to(black.astype(np.float32), (rows, columns, 3)),
        seen_mask=seen,
        clipped_mask=nothing,
        column_deg=np.zeros(columns, np.float32),
        closed=False,
        lip_row=0,
        px_scale=1.0,
        px_per_diameter=float("nan"),
        mm_per_px=None,
        blur_px=float("nan"),
    )
    bands = Bands(
        glaze_linear_rgb=strip.linear_rgb,
        contrast=contrast,
        chroma_shift=tint,
        print_mask=nothing,
        lines=(),
        border=Band(first, last, "border"),
    )
    return strip, bands
