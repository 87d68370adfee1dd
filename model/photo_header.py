"""What a photo file says before any pixel is decoded: format, size, scans, metadata, where it ends."""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass, replace
from typing import Literal

from model.errors import NotAPhoto, PhotoTruncated
from model.exif import read_exif, write_exif
from model.file_parts import (
    first_picture_chunks,
    join_webp,
    jpeg_segments,
    png_chunks,
    riff_chunk,
    webp_chunks,
)
from model.heic_boxes import is_heic, read_heic

Format = Literal["JPEG", "PNG", "WebP", "HEIC"]
_PNG_SIGN = b"\x89PNG\r\n\x1a\n"
_MAX_PROFILE = 8_000_000  # the largest common table profiles hold about 3 MB
_COUNTED_SCANS = 101  # one past the limit: no need to count on
_FRAME_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_FILL = re.compile(rb"\xff+")


@dataclass(frozen=True, eq=False)
class PhotoHeader:
    """The parsed header.

    ``width``, ``height`` as stored, before orientation. ``scans`` counts a JPEG's scans, up to 101.
    ``picture`` is the first picture as a file of its own, without metadata: what the decoder is given.
    ``icc``, ``exif`` (TIFF structure) are None where absent.
    """

    format: Format
    width: int
    height: int
    scans: int
    has_alpha: bool
    picture: bytes
    icc: bytes | None
    exif: bytes | None


def read_header(data: bytes) -> PhotoHeader:
    """Parse a JPEG, PNG or WebP file; the content decides.

    Raises
    ------
    NotAPhoto
        Another format, or a header that makes no sense.
    PhotoTruncated
        The file ends before its picture does, or a PNG checksum fails.
    """
    try:
        if data[:2] == b"\xff\xd8":
            return _read_jpeg(data)
        if data[:8] == _PNG_SIGN:
            return _read_png(data)
        if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
            return _read_webp(data)
        if is_heic(data):
            return _read_heic(data)
    except (struct.error, IndexError) as error:
        raise PhotoTruncated("the picture data ends early: send the file again") from error
    raise NotAPhoto(_name_other_format(data))


def _read_heic(data: bytes) -> PhotoHeader:
    """The decoder turns HEIC upright by itself, so the size is upright and EXIF's orientation is dropped."""
    found = read_heic(data)
    _check_size("HEIC", found.width, found.height)
    exif = None if found.exif is None else write_exif(replace(read_exif(found.exif), orientation=1))
    return PhotoHeader("HEIC", found.width, found.height, 1, True, data, found.icc, exif)


def _name_other_format(data: bytes) -> str:
    if not data:
        return "expected a photo, got an empty file: choose the photo again"
    if data[4:8] == b"ftyp":
        return (
            "expected JPEG, PNG, WebP or HEIC, got AVIF or a film: set the phone's camera to its most "
            "compatible format, or share the photo as JPEG"
        )
    return "expected a JPEG, PNG or WebP photo, got another kind of file: save the picture as JPEG"


# ---- JPEG (ITU-T T.81) -----------------------------------------------------------------------------


def _read_jpeg(data: bytes) -> PhotoHeader:
    width = height = scans = 0
    parts, icc_parts, exif = [b"\xff\xd8"], list[tuple[int, bytes]](), None
    for marker, start, end in jpeg_segments(data):
        body = data[start + 4 : min(end, start + 70000)] if marker != 0xDA else b""
        if marker in _FRAME_MARKERS and width == 0:
            height, width = struct.unpack_from(">HH", body, 1)
        scans += marker == 0xDA
        if scans >= _COUNTED_SCANS:
            break
        if marker == 0xE1 and body[:6] == b"Exif\0\0" and exif is None:
            exif = body[6:]
        elif marker == 0xE2 and body[:12] == b"ICC_PROFILE\0":
            icc_parts.append((body[12], body[14:]))
        parts.append(_needed_segment(marker, body, data[start:end]))
    _check_size("JPEG", width, height)
    if scans == 0:
        raise PhotoTruncated("the JPEG holds no picture data: send the file again")
    icc = b"".join(part for _, part in sorted(icc_parts)) or None
    return PhotoHeader("JPEG", width, height, scans, False, b"".join(parts), icc, exif)


def _needed_segment(marker: int, body: bytes, segment: bytes) -> bytes:
    """The segment if decoding needs it: of APPn only JFIF, without its thumbnail, and Adobe's colour flag."""
    if marker == 0xE0 and body[:5] == b"JFIF\0" and len(body) >= 12:
        return b"\xff\xe0\0\x10" + body[:12] + b"\0\0"
    if marker == 0xEE and body[:5] == b"Adobe" and len(body) >= 12:
        return b"\xff\xee\0\x0e" + body[:12]
    return b"" if 0xE0 <= marker <= 0xEF or marker == 0xFE else segment


def _check_size(name: str, width: int, height: int) -> None:
    if width <= 0 or height <= 0:
        raise NotAPhoto(f"the {name} header gives no picture size: save the photo again")


# ---- PNG (ISO/IEC 15948) ---------------------------------------------------------------------------


def _read_png(data: bytes) -> PhotoHeader:
    parts, icc, exif = [_PNG_SIGN], None, None
    width = height = colour_type = -1
    transparent = False
    for kind, start, end in png_chunks(data):
        body = data[start + 8 : end - 4]
        if kind == b"IHDR" and width < 0:
            width, height, _, colour_type = struct.unpack_from(">IIBB", body)
        elif kind == b"iCCP":
            icc = _inflate_profile(body)
        elif kind == b"eXIf":
            exif = body
        transparent |= kind == b"tRNS"
        if kind in (b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"):
            (checksum,) = struct.unpack_from(">I", data, end - 4)
            if zlib.crc32(data[start + 4 : end - 4]) != checksum:
                raise PhotoTruncated("the PNG data is damaged (a checksum fails): send the file again")
            parts.append(data[start:end])
    _check_size("PNG", width, height)
    has_alpha = colour_type in (4, 6) or transparent
    return PhotoHeader("PNG", width, height, 1, has_alpha, b"".join(parts), icc, exif)


def _inflate_profile(body: bytes) -> bytes | None:
    """The profile of an iCCP chunk, never more than a few megabytes; None where it is damaged."""
    packed = body.split(b"\0", 1)[-1][1:]
    try:
        return zlib.decompressobj().decompress(packed, _MAX_PROFILE)
    except zlib.error:
        return None


# ---- WebP (RFC 9649) -------------------------------------------------------------------------------


def _read_webp(data: bytes) -> PhotoHeader:
    parts, icc, exif = [], None, None
    width = height = 0
    has_alpha = False
    for kind, start, end in first_picture_chunks(data):
        (length,) = struct.unpack_from("<I", data, start + 4)
        body = data[start + 8 : start + 8 + length]
        if kind == b"ICCP":
            icc = body[:_MAX_PROFILE]
        elif kind == b"EXIF":
            exif = body[6:] if body[:6] == b"Exif\0\0" else body
        elif kind in (b"VP8 ", b"VP8L"):
            frame_width, frame_height, alpha = _webp_frame(kind, body)
            width, height, has_alpha = frame_width, frame_height, has_alpha or alpha
            parts.append(data[start:end])
            break
        elif kind == b"ALPH":
            has_alpha = True
            parts.append(data[start:end])
    if not parts or parts[-1][:4] not in (b"VP8 ", b"VP8L"):
        raise PhotoTruncated("the WebP holds no picture data: send the file again")
    _check_size("WebP", width, height)
    if has_alpha:
        size = (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
        parts.insert(0, riff_chunk(b"VP8X", b"\x10\0\0\0" + size))
    exif = exif or _late_webp_exif(data)
    return PhotoHeader("WebP", width, height, 1, has_alpha, join_webp(parts), icc, exif)


def _late_webp_exif(data: bytes) -> bytes | None:
    """EXIF lies behind the picture data."""
    for kind, start, end in webp_chunks(data):
        if kind == b"EXIF":
            (length,) = struct.unpack_from("<I", data, start + 4)
            body = data[start + 8 : min(end, start + 8 + length)]
            return body[6:] if body[:6] == b"Exif\0\0" else body
    return None


def _webp_frame(kind: bytes, body: bytes) -> tuple[int, int, bool]:
    """Width, height and whether alpha is used, of a lossy or lossless bit stream."""
    if kind == b"VP8 ":
        if body[3:6] != b"\x9d\x01\x2a":
            raise NotAPhoto("the WebP picture data is damaged: save the photo again")
        width, height = struct.unpack_from("<HH", body, 6)
        return width & 0x3FFF, height & 0x3FFF, False
    if body[0] != 0x2F:
        raise NotAPhoto("the WebP picture data is damaged: save the photo again")
    (bits,) = struct.unpack_from("<I", body, 1)
    return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF), bool(bits >> 28 & 1)
