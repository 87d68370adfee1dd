"""A private copy of a photo file: the same compressed picture, metadata dropped but what reading needs."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace

from model.exif import ExifFacts, read_exif, write_exif
from model.file_parts import join_webp, riff_chunk, webp_chunks
from model.heic import seal_heic
from model.photo_header import PhotoHeader, read_header

_ICC_PART = 65519  # what fits into one JPEG segment beside the profile's own 16 bytes


def sealed_copy(data: bytes) -> bytes:
    """Return the file with its first picture's compressed data untouched and its metadata dropped.

    Kept: orientation, embedded colour profile, time taken and 35-mm focal length. Dropped: position,
    serial numbers, names, thumbnails, further pictures, whatever follows the picture's end.

    Raises
    ------
    model.errors.PhotoError
        The bytes are no complete JPEG, PNG, WebP or (with its extra) HEIC.
    """
    header = read_header(data)
    facts = read_exif(header.exif) if header.exif else ExifFacts()
    exif = write_exif(facts) if facts != ExifFacts() else None
    seal = {"JPEG": _seal_jpeg, "PNG": _seal_png, "WebP": _seal_webp, "HEIC": _seal_heic}[header.format]
    return seal(replace(header, exif=exif))


def _seal_jpeg(header: PhotoHeader) -> bytes:
    """Put the segments right behind the start marker; the stripped picture follows."""
    segments = []
    if header.exif:
        segments.append(_jpeg_segment(0xE1, b"Exif\0\0" + header.exif))
    if header.icc:
        parts = [header.icc[i : i + _ICC_PART] for i in range(0, len(header.icc), _ICC_PART)]
        for number, part in enumerate(parts[:255], start=1):
            segments.append(
                _jpeg_segment(0xE2, b"ICC_PROFILE\0" + bytes([number, min(len(parts), 255)]) + part)
            )
    return header.picture[:2] + b"".join(segments) + header.picture[2:]


def _jpeg_segment(marker: int, body: bytes) -> bytes:
    return b"\xff" + bytes([marker]) + struct.pack(">H", len(body) + 2) + body


def _seal_png(header: PhotoHeader) -> bytes:
    """Put the chunks behind IHDR, which is 25 bytes and starts at 8."""
    chunks = []
    if header.icc:
        chunks.append(_png_chunk(b"iCCP", b"profile\0\0" + zlib.compress(header.icc)))
    if header.exif:
        chunks.append(_png_chunk(b"eXIf", header.exif))
    return header.picture[:33] + b"".join(chunks) + header.picture[33:]


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _seal_heic(header: PhotoHeader) -> bytes:
    return seal_heic(header.picture, header.exif)


def _seal_webp(header: PhotoHeader) -> bytes:
    """Extended layout where there is something to keep: VP8X, ICCP, picture, EXIF."""
    picture = [
        header.picture[start:end]
        for kind, start, end in webp_chunks(header.picture)
        if kind in (b"ALPH", b"VP8 ", b"VP8L")
    ]
    if not (header.icc or header.exif or header.has_alpha):
        return join_webp(picture)
    flags = 0x20 * bool(header.icc) | 0x10 * header.has_alpha | 0x08 * bool(header.exif)
    size = (header.width - 1).to_bytes(3, "little") + (header.height - 1).to_bytes(3, "little")
    parts = [riff_chunk(b"VP8X", bytes([flags, 0, 0, 0]) + size)]
    if header.icc:
        parts.append(riff_chunk(b"ICCP", header.icc))
    parts += picture
    if header.exif:
        parts.append(riff_chunk(b"EXIF", header.exif))
    return join_webp(parts)
