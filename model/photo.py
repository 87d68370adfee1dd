"""Photo bytes to an upright picture with its colour profile: limits first, one decode, then a pyramid."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from model.colour_profile import ColourProfile, read_profile, srgb_profile
from model.errors import NotAPhoto, PhotoTooLarge, PhotoTooSmall
from model.exif import ExifFacts, read_exif
from model.heic import decode_heic
from model.photo_header import PhotoHeader, read_header
from model.photo_privacy import sealed_copy

MAX_BYTES = 30_000_000  # limits of the product: see the message texts
MAX_PIXELS = 40_000_000
MAX_SCANS = 100  # the scan limit of libjpeg-turbo's own fuzzers
ROWS_AT_ONCE = 256
MIN_SIDE_PX = 48  # under this a rim band is less than a few pixels wide

__all__ = ["ColourProfile", "Photo", "check_limits", "decode_photo", "photo_from_rgb", "sealed_copy"]


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright photo in the file's own encoded colour space.

    ``pixels`` is (height, width, 3) uint8 RGB, not writeable. Pixel centres lie at whole coordinates.
    """

    pixels: npt.NDArray[np.uint8]
    profile: ColourProfile
    sha256: str
    taken_at: str | None = None
    focal_length_35mm: float | None = None
    _levels: dict[int, tuple[npt.NDArray[np.uint8], float]] = field(default_factory=dict, repr=False)

    @property
    def width(self) -> int:
        """Pixels from left to right."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Pixels from top to bottom."""
        return int(self.pixels.shape[0])

    def linearise(self, encoded: npt.NDArray[np.uint8]) -> npt.NDArray[np.float32]:
        """Decode (..., 3) uint8 of this photo to (..., 3) float32 linear sRGB."""
        return self.profile.linearise(encoded)

    def reduced(self, max_side_px: int) -> tuple[npt.NDArray[np.uint8], float]:
        """Return the photo with its longer side at most ``max_side_px`` and the scale, reduced / full px.

        Never enlarges. Area-averaged; made once and kept. A reduced pixel centre x lies at
        ``(x + .5) / scale - .5`` of the full photo.
        """
        if max_side_px >= max(self.width, self.height):
            return self.pixels, 1.0
        if max_side_px not in self._levels:
            source = self._halved(max_side_px)
            scale = max_side_px / max(self.width, self.height)
            size = (max(1, round(self.width * scale)), max(1, round(self.height * scale)))
            level = cv2.resize(source, size, interpolation=cv2.INTER_AREA)
            level.flags.writeable = False
            self._levels[max_side_px] = (level, scale)
        return self._levels[max_side_px]

    def halved(self, least_scale: float) -> tuple[npt.NDArray[np.uint8], float]:
        """The smallest of the photo's halvings that is at least ``least_scale`` of it, and its scale."""
        pixels = self._halved(round(max(self.width, self.height) * least_scale))
        return pixels, pixels.shape[1] / self.width

    def _halved(self, least_side_px: int) -> npt.NDArray[np.uint8]:
        """The photo halved as often as its longer side stays at least so long; halving is quick, and kept.

        Halved levels are kept under negative keys: minus their number of halvings.
        """
        times, pixels = 0, self.pixels
        while max(pixels.shape) // 2 >= least_side_px and not (pixels.shape[0] % 2 or pixels.shape[1] % 2):
            times += 1
            if -times not in self._levels:
                half = cv2.resize(pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
                self._levels[-times] = (half, 0.5**times)
            pixels = self._levels[-times][0]
        return pixels


def photo_from_rgb(rgb: npt.NDArray[np.uint8], focal_length_35mm: float | None = None) -> Photo:
    """Wrap an upright (height, width, 3) uint8 sRGB array as a photo; the array is copied."""
    pixels = np.array(rgb, dtype=np.uint8, order="C")
    pixels.flags.writeable = False
    digest = hashlib.sha256(pixels.tobytes()).hexdigest()
    return Photo(pixels, srgb_profile(), digest, None, focal_length_35mm)


def decode_photo(data: bytes) -> Photo:
    """Decode a JPEG, PNG, WebP or (where its extra is installed) HEIC file; content decides, not the name.

    Limits are applied to the header before any pixel is decoded. Of a multi-picture file the
    first picture is read; data after its end is ignored. Transparent pixels are laid over white.

    Parameters
    ----------
    data
        The file's bytes.

    Returns
    -------
    Photo
        Upright (EXIF orientation applied), with the embedded profile, EXIF time and focal length.

    Raises
    ------
    NotAPhoto
        No JPEG, PNG or WebP, or a kind of them that cannot be decoded.
    PhotoTruncated
        The picture data ends early or a checksum fails.
    PhotoTooLarge
        More than 30 MB, 40 megapixels or 100 progressive scans.
    PhotoTooSmall
        A side under 48 px.
    """
    header = check_limits(data)
    meta = read_exif(header.exif) if header.exif else ExifFacts()
    pixels = _turn_upright(_decode_pixels(header), meta.orientation)
    pixels.flags.writeable = False
    profile = read_profile(header.icc) if header.icc else srgb_profile()
    return Photo(pixels, profile, hashlib.sha256(data).hexdigest(), meta.taken_at, meta.focal_length_35mm)


def check_limits(data: bytes) -> PhotoHeader:
    """Parse the header and apply the limits; decodes no pixel. Raises as :func:`decode_photo`."""
    if len(data) > MAX_BYTES:
        raise PhotoTooLarge(f"expected at most 30 MB, got {len(data) / 1e6:.1f} MB: send a smaller photo")
    header = read_header(data)
    pixel_count = header.width * header.height
    if pixel_count > MAX_PIXELS:
        raise PhotoTooLarge(
            f"expected at most 40 megapixels, got {header.width} x {header.height}: send a smaller photo"
        )
    if header.scans > MAX_SCANS:
        raise PhotoTooLarge(
            f"expected at most {MAX_SCANS} progressive scans, got {header.scans}: save the photo again as "
            "a plain JPEG"
        )
    if min(header.width, header.height) < MIN_SIDE_PX:
        raise PhotoTooSmall(
            f"expected at least {MIN_SIDE_PX} px on the shorter side, got {header.width} x {header.height}: "
            "send the original photo, not its thumbnail"
        )
    return header


def _decode_pixels(header: PhotoHeader) -> npt.NDArray[np.uint8]:
    """Decode the stripped file to (H, W, 3) uint8 RGB as stored."""
    kind = cv2.IMREAD_UNCHANGED if header.has_alpha else cv2.IMREAD_COLOR_RGB
    buffer = np.frombuffer(header.picture, dtype=np.uint8)
    try:
        if header.format == "HEIC":
            pixels = decode_heic(header.picture)
        else:
            pixels = cv2.imdecode(buffer, kind | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error:
        pixels = None
    if pixels is None or pixels.shape[:2] != (header.height, header.width):
        raise NotAPhoto(
            f"the {header.format} data cannot be decoded: it is damaged or rare; save it again as JPEG"
        )
    return _over_white(pixels) if header.has_alpha else pixels


def _over_white(pixels: npt.NDArray[np.generic]) -> npt.NDArray[np.uint8]:
    """(H, W[, 3 or 4]) BGR(A) of 8 or 16 bit to RGB uint8, composited over white."""
    if pixels.dtype != np.uint8:
        pixels = cv2.convertScaleAbs(pixels, alpha=1 / 257)
    if pixels.ndim == 2:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB), dtype=np.uint8)
    if pixels.shape[2] == 3:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB), dtype=np.uint8)
    laid = np.empty((*pixels.shape[:2], 3), np.uint8)
    for row in range(0, len(pixels), ROWS_AT_ONCE):  # in parts: the sums take six times the room
        part = pixels[row : row + ROWS_AT_ONCE]
        alpha, colour = part[..., 3:].astype(np.uint16), part[..., 2::-1].astype(np.uint16)
        laid[row : row + ROWS_AT_ONCE] = (colour * alpha + 255 * (255 - alpha) + 127) // 255
    return laid


def _turn_upright(pixels: npt.NDArray[np.uint8], orientation: int) -> npt.NDArray[np.uint8]:
    """Apply the EXIF orientation 1..8 (Exif 3.0); other values count as 1."""
    if orientation in (5, 6, 7, 8):
        pixels = cv2.transpose(pixels)
    if orientation in (2, 6):
        return np.asarray(cv2.flip(pixels, 1))
    if orientation in (4, 8):
        return np.asarray(cv2.flip(pixels, 0))
    if orientation in (3, 7):
        return np.asarray(cv2.flip(pixels, -1))
    return pixels
