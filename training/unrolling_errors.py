"""What unrolling a tilted rim does to a border: rows seen at a slant, uneven spacing, ends that run out.

Rows of a rim seen at a slant hold fewer photo pixels than its columns do, more so on one side than on the
other; a lip found a little off makes repeats wider here than there, and bends the rows.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

# A row of the strip is one photo pixel along the rim and, at a slant of 75 degrees, a quarter across it.
MOST_SQUEEZE = 4.0
# Repeats on one side of a badly fitted rim were up to this much wider than on the other.
MOST_STRETCH = 0.28
# Rows that the unrolling lets rise and fall, of the border's height.
MOST_BEND = 0.22
ENDS_SHARE = 0.35
# When rows were searched by contrast, a third of the borders of rendered photos were found with less than
# half their rows, or with as much again beside them; labels do better, the network bears the worse.
BAD_ROWS_SHARE, MOST_ROWS_LOST = 0.5, 0.45


def unroll_badly(planes: Map, height: int, rng: np.random.Generator) -> tuple[Map, Mask]:
    """A strip's planes (h, w, n) as unrolled from a tilted rim, and the mask (h, w) of what fell out of view.

    ``height`` is the border's, px.
    """
    bent = _bend(planes, height, rng)
    squeezed = _squeeze(bent, height, rng)
    return squeezed, _run_out(squeezed.shape[:2], rng)


def judge_rows_badly(first: int, last: int, rng: np.random.Generator) -> tuple[int, int]:
    """The border's rows with a part of one side left out, for some."""
    if rng.random() > BAD_ROWS_SHARE:
        return first, last
    lost = round(float(rng.uniform(0.1, MOST_ROWS_LOST)) * (last - first))
    return (first + lost, last) if rng.random() < 0.5 else (first, last - lost)


def _bend(image: Map, height: int, rng: np.random.Generator) -> Map:
    """Spacing and rows change slowly along the strip."""
    rows, columns = image.shape[:2]
    at = np.linspace(-1, 1, columns)
    stretch = rng.uniform(-1, 1) * MOST_STRETCH / 2 * at + rng.uniform(-1, 1) * MOST_STRETCH / 2 * at**2
    x = np.cumsum(1 + stretch)
    x = (x - x[0]) / (x[-1] - x[0]) * (columns - 1)
    rise = rng.uniform(-1, 1) * at + rng.uniform(-1, 1) * (at**2 - 0.33)
    shift = rise * rng.random() * MOST_BEND / 2 * height
    map_y = np.arange(rows)[:, None] + shift[None]
    map_x = np.broadcast_to(x, map_y.shape)
    return np.asarray(
        cv2.remap(
            image,
            np.ascontiguousarray(map_x, np.float32),
            map_y.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def _squeeze(image: Map, height: int, rng: np.random.Generator) -> Map:
    """Blur across the rows, from little at one end to much at the other, as far as the height allows."""
    most = min(MOST_SQUEEZE, max(1.0, height / 6)) ** rng.random()
    sigma = 0.45 * (most - 1)
    if sigma < 0.1:
        return image
    soft = cv2.GaussianBlur(image, (0, 0), sigmaX=0.3, sigmaY=sigma)
    first, last = rng.random(), rng.random()
    share = np.linspace(first, last, image.shape[1])[None, :, None].astype(np.float32)
    return np.asarray(image + share * (soft - image), np.float32)


def _run_out(shape: tuple[int, ...], rng: np.random.Generator) -> Mask:
    """A slanted end: the rim turns away or leaves the photo, its inner rows later than the outer ones."""
    hidden = np.zeros(shape, bool)
    if rng.random() > ENDS_SHARE:
        return hidden
    rows, columns = shape
    cut = rng.uniform(0.5, 1.0) * columns + rng.uniform(-1, 1) * np.arange(rows)
    hidden = np.arange(columns)[None] > cut[:, None]
    return hidden if rng.random() < 0.5 else np.ascontiguousarray(hidden[:, ::-1])
