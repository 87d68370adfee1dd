"""What lies round the piece: the reduced photo in linear light, where the piece is, what cannot be told."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import log_chromaticity, luminance
from model.photo import Photo
from model.piece import Piece
from model.rim_band import CLIPPED_HIGH, find_clipped

REDUCED_SIDE_PX = 512  # enough for sheets, walls and highlights; a few milliseconds
MIN_GREEN = 0.004  # linear; under it 8-bit steps are over 10 % of the value, ratios mean nothing
RING_SHARE = 0.12  # of the piece's larger side: the table beside it, which the rim mirrors
CLIPPED_SHARE_SOUND = 250  # of 255: at most 2 % of the pixels under a reduced one are clipped
MIN_PIXELS = 50
LAMP_LEVEL = 0.8  # linear; brighter pixels weigh no more, a lamp in the frame is not the scene

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class SceneColours:
    """Log chromaticity (2,) of the table beside the piece, and of all round it; None where unseen."""

    ring: npt.NDArray[np.float64] | None
    scene: npt.NDArray[np.float64] | None


@dataclass(frozen=True, eq=False)
class Surroundings:
    """The photo at reduced size, linear sRGB, with what is known about each pixel.

    Attributes
    ----------
    linear_rgb
        (h, w, 3) float32.
    usable_mask
        (h, w) bool: neither clipped nor too dark for ratios.
    clipped_mask
        (h, w) bool.
    piece_mask
        (h, w) bool: the visible silhouette; all False where no outline was found.
    scale
        Reduced px per photo px.
    """

    linear_rgb: npt.NDArray[np.float32]
    usable_mask: Mask
    clipped_mask: Mask
    piece_mask: Mask
    scale: float

    @cached_property
    def outside_mask(self) -> Mask:
        """(h, w) bool: usable and well outside the piece."""
        grown = cv2.dilate(self.piece_mask.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
        return np.asarray(self.usable_mask & ~grown)

    @cached_property
    def ring_mask(self) -> Mask:
        """(h, w) bool: usable, outside the piece, within RING_SHARE of its size."""
        rows, columns = np.nonzero(self.piece_mask.any(1))[0], np.nonzero(self.piece_mask.any(0))[0]
        if rows.size == 0:
            return self.outside_mask
        reach = max(3, round(RING_SHARE * max(np.ptp(rows), np.ptp(columns))))
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
        near = cv2.dilate(self.piece_mask.astype(np.uint8), kernel) > 0
        return np.asarray(self.outside_mask & near)

    @cached_property
    def colours(self) -> SceneColours:
        """What the rim may mirror."""
        return SceneColours(
            mean_chromaticity(self.linear_rgb[self.ring_mask]),
            mean_chromaticity(self.linear_rgb[self.outside_mask]),
        )


def look_around(photo: Photo, piece: Piece) -> Surroundings:
    """Reduce the photo and mark the piece, the clipped and the usable pixels."""
    encoded, scale = photo.reduced(REDUCED_SIDE_PX)
    linear = photo.linearise(encoded)
    clipped = find_clipped(encoded) | _holds_clipped(photo.pixels, encoded.shape[1::-1])
    usable = ~clipped & (linear[..., 1] > MIN_GREEN) & (linear.min(axis=2) > MIN_GREEN / 4)
    inside = np.zeros(clipped.shape, np.uint8)
    if piece.outline is not None:
        polygon = np.rint((piece.outline + 0.5) * scale - 0.5).astype(np.int32)
        cv2.fillPoly(inside, [polygon], 1)
    return Surroundings(linear, np.asarray(usable), clipped, inside > 0, scale)


def _holds_clipped(full: npt.NDArray[np.uint8], size: tuple[int, int]) -> Mask:
    """Where a reduced pixel averages over clipped ones: its mean looks sound and is not."""
    sound = cv2.inRange(full, (0, 0, 0), (CLIPPED_HIGH - 1,) * 3)
    return np.asarray(cv2.resize(sound, size, interpolation=cv2.INTER_AREA) < CLIPPED_SHARE_SOUND)


def mean_chromaticity(pixels: npt.NDArray[np.float32]) -> npt.NDArray[np.float64] | None:
    """Brightness-weighted log chromaticity (2,) of pixels (n, 3), linear; None under MIN_PIXELS of them."""
    if len(pixels) < MIN_PIXELS:
        return None
    exact = pixels.astype(np.float64)
    weights = np.minimum(luminance(exact), LAMP_LEVEL)
    return np.asarray(log_chromaticity((exact * weights[:, None]).sum(0)), dtype=np.float64)
