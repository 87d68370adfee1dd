"""The finished file: JPEG with the metadata a phone writes, in sRGB or Display P3.

References
----------
CIPA DC-008 (Exif 3.0): orientation, DateTimeOriginal, FocalLengthIn35mmFilm.
ICC.1:2022: profile header, tag table, XYZ and parametric curve types; the profile is built here.
"""

from __future__ import annotations

import io
import struct
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from PIL import Image

ORIENTATION, EXIF_IFD, TIME, FOCAL_35MM = 0x0112, 0x8769, 0x9003, 0xA405
# Display P3 primaries adapted to D50 (Bradford), as XYZ of red, green, blue
_P3_D50 = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
_D50 = (0.9642, 1.0, 0.8249)
# what to do to the upright picture so that a viewer who applies the tag sees it upright
_STORED = {1: 0, 3: 2, 6: 1, 8: 3}  # orientation tag -> quarter turns counter-clockwise


def build_p3_profile() -> bytes:
    """A minimal ICC v4 display profile for Display P3."""
    curve = b"para" + struct.pack(
        ">IHH5i", 0, 3, 0, *(_fixed(v) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
    )
    name = "Display P3 (generic)".encode("utf-16-be")
    text = b"mluc" + struct.pack(">IIIHHII", 0, 1, 12, 0x656E, 0x5553, len(name), 28) + name
    tags = {b"desc": text, b"cprt": text, b"wtpt": _xyz(_D50)}
    tags |= {key: _xyz(xyz) for key, xyz in zip((b"rXYZ", b"gXYZ", b"bXYZ"), _P3_D50, strict=True)}
    tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve)
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for key, value in tags.items():
        table += key + struct.pack(">II", start + len(body), len(value))
        body += value + b"\0" * (-len(value) % 4)
    size = start + len(body)
    header = (
        struct.pack(">I4xI", size, 0x04300000) + b"mntrRGB XYZ " + struct.pack(">6H", 2026, 1, 1, 0, 0, 0)
    )
    header += b"acsp" + b"\0" * 28 + struct.pack(">3i", *(_fixed(v) for v in _D50))
    return header.ljust(128, b"\0") + table + body


def _fixed(value: float) -> int:
    return round(value * 65536)


def _xyz(value: tuple[float, float, float]) -> bytes:
    return b"XYZ \0\0\0\0" + struct.pack(">3i", *(_fixed(v) for v in value))


def encode_photo(
    pixels: NDArray[np.uint8],
    quality: int,
    display_p3: bool,
    focal_35mm: float,
    orientation: int,
    minutes: int,
) -> bytes:
    """JPEG bytes of upright RGB pixels.

    Parameters
    ----------
    orientation : Exif tag 1, 3, 6 or 8; the stored pixels are turned to suit.
    minutes : after the first minute of 2025, for the time the photo claims.
    """
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    taken = datetime(2025, 1, 1) + timedelta(minutes=minutes)
    part = exif.get_ifd(EXIF_IFD)
    part[TIME] = taken.strftime("%Y:%m:%d %H:%M:%S")
    part[FOCAL_35MM] = round(focal_35mm)
    stored = np.ascontiguousarray(np.rot90(pixels, _STORED[orientation]))
    buffer = io.BytesIO()
    profile = build_p3_profile() if display_p3 else None
    Image.fromarray(stored).save(
        buffer, "JPEG", quality=quality, exif=exif, icc_profile=profile, optimize=True
    )
    return buffer.getvalue()
