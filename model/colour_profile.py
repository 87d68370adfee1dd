"""Embedded colour profiles as three curves and a matrix to linear sRGB."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

# Columns: XYZ (D50) of the sRGB primaries, as the ICC profile of sRGB holds them (IEC 61966-2-1
# adapted with Bradford). Its inverse takes any profile's D50 colours to linear sRGB.
_SRGB_D50 = np.array(
    [[0.4360747, 0.3850649, 0.1430804], [0.2225045, 0.7168786, 0.0606169], [0.0139322, 0.0971045, 0.7141733]]
)
_MAX_TAGS = 200


@dataclass(frozen=True, eq=False)
class ColourProfile:
    """How this file's numbers become light.

    ``curve`` is (3, 256) float32, encoded value to linear 0..1 for each channel; ``matrix`` is (3, 3)
    float32, linear file RGB to linear sRGB (D65). ``note`` says what was assumed, or is None.
    """

    curve: npt.NDArray[np.float32]
    matrix: npt.NDArray[np.float32]
    note: str | None = None

    def linearise(self, encoded: npt.NDArray[np.uint8]) -> npt.NDArray[np.float32]:
        """Decode (..., 3) uint8 to (..., 3) float32 linear sRGB; colours outside sRGB may lie below 0."""
        flat = np.ascontiguousarray(encoded).reshape(1, -1, 3)
        if flat.size == 0:
            return np.zeros(encoded.shape, dtype=np.float32)
        linear = cv2.LUT(flat, np.ascontiguousarray(self.curve.T)[None])
        if not np.array_equal(self.matrix, np.eye(3, dtype=np.float32)):
            linear = cv2.transform(linear, self.matrix)
        return np.asarray(linear, dtype=np.float32).reshape(encoded.shape)


@lru_cache(maxsize=1)
def srgb_profile() -> ColourProfile:
    """The sRGB curve of IEC 61966-2-1 with no change of primaries."""
    encoded = np.arange(256) / 255
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    curve = np.tile(linear.astype(np.float32), (3, 1))
    curve.flags.writeable = False
    return ColourProfile(curve, np.eye(3, dtype=np.float32))


def read_profile(icc: bytes) -> ColourProfile:
    """Read a matrix/curve RGB or a grey ICC profile (ICC.1:2022); else sRGB, with a note."""
    try:
        tags = _read_tags(icc)
        if icc[16:20] == b"GRAY":
            curve = np.tile(_read_curve(tags[b"kTRC"]), (3, 1))
            return ColourProfile(curve, np.eye(3, dtype=np.float32))
        columns = [_read_xyz(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
        curve = np.stack([_read_curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC")])
        matrix = np.linalg.inv(_SRGB_D50) @ np.stack(columns, axis=1)
    except (KeyError, ValueError, struct.error, IndexError):
        return _assume_srgb("the embedded colour profile is of a kind that is not read; sRGB was assumed")
    if not np.isfinite(matrix).all() or np.abs(np.linalg.det(matrix)) < 1e-3 or np.abs(matrix).max() > 10:
        return _assume_srgb("the embedded colour profile is damaged; sRGB was assumed")
    if np.allclose(matrix, np.eye(3), atol=2e-3):
        matrix = np.eye(3)  # sRGB itself, up to the profile's own rounding
    return ColourProfile(curve, matrix.astype(np.float32))


def _assume_srgb(note: str) -> ColourProfile:
    plain = srgb_profile()
    return ColourProfile(plain.curve, plain.matrix, note)


def _read_tags(icc: bytes) -> dict[bytes, bytes]:
    """Tag signature to tag data, from the table behind the 128-byte header."""
    if icc[36:40] != b"acsp":
        raise ValueError("no ICC profile")
    (count,) = struct.unpack_from(">I", icc, 128)
    tags: dict[bytes, bytes] = {}
    for index in range(min(count, _MAX_TAGS)):
        name, offset, size = struct.unpack_from(">4sII", icc, 132 + 12 * index)
        tags[name] = icc[offset : offset + size]
    return tags


def _read_xyz(tag: bytes) -> npt.NDArray[np.float64]:
    if tag[:4] != b"XYZ ":
        raise ValueError("no XYZ tag")
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536


def _read_curve(tag: bytes) -> npt.NDArray[np.float32]:
    """A ``curv`` or ``para`` tag sampled at the 256 encoded values, clipped to 0..1."""
    encoded = np.arange(256) / 255
    with np.errstate(all="ignore"):
        linear = _evaluate_curve(tag, encoded)
    if not np.isfinite(linear).all():
        raise ValueError("curve with undefined values")
    return np.clip(linear, 0, 1).astype(np.float32)


def _evaluate_curve(tag: bytes, encoded: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    if tag[:4] == b"para":
        return _parametric(tag, encoded)
    if tag[:4] != b"curv":
        raise ValueError("no curve tag")
    (count,) = struct.unpack_from(">I", tag, 8)
    if count == 0:
        return encoded
    if count == 1:
        return np.asarray(encoded ** (struct.unpack_from(">H", tag, 12)[0] / 256))
    table = np.frombuffer(tag, dtype=">u2", count=min(count, 65536), offset=12) / 65535
    return np.interp(encoded, np.linspace(0, 1, len(table)), table)


def _parametric(tag: bytes, x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Parametric curve types 0..4 of ICC.1:2022, section 10.18."""
    (kind,) = struct.unpack_from(">H", tag, 8)
    count = (1, 3, 4, 5, 7)[kind]
    g, a, b, c, d, e, f = [float(v) / 65536 for v in struct.unpack_from(f">{count}i", tag, 12)] + [0.0] * (
        7 - count
    )
    if kind == 0:
        return np.asarray(x**g)
    power: npt.NDArray[np.float64] = np.maximum(a * x + b, 0) ** g
    if kind == 1:
        return np.where(a * x + b >= 0, power, 0.0)
    if kind == 2:
        return np.where(a * x + b >= 0, power + c, c)
    if kind == 3:
        return np.where(x >= d, power, c * x)
    return np.where(x >= d, power + e, c * x + f)
