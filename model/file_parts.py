"""Walks over the parts of a photo file, JPEG segments, PNG and WebP chunks; makes WebP files of chunks."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator

from model.errors import NotAPhoto, PhotoTooLarge, PhotoTruncated

# Segments or chunks of a file: a 30 MB PNG written in pieces of 4 kB has 7,500; more only cost time.
MAX_PARTS = 20_000
_FILL = re.compile(rb"\xff+")
_ENTROPY_END = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")  # a real marker within entropy-coded data

_FREE_TEXT = frozenset((*range(0xE0, 0xF0), *range(0xF0, 0xFE), 0xFE))  # application data, comments
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


def too_many_parts(name: str) -> PhotoTooLarge:
    return PhotoTooLarge(f"expected at most {MAX_PARTS} parts in the {name}, got more: save the photo again")


def jpeg_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Yield (marker, start, end) of each segment of the first picture, the last one being the end marker.

    A scan's entropy-coded data belongs to its SOS segment.
    """
    at = 2
    for _ in range(MAX_PARTS):
        fill = _FILL.match(data, at)
        if fill is None:
            raise NotAPhoto("the JPEG header is damaged: save the photo again")
        at = fill.end() - 1
        marker = data[at + 1]
        if marker == 0xD9:
            yield marker, at, at + 2
            return
        (length,) = struct.unpack_from(">H", data, at + 2)
        end = at + 2 + max(length, 2)
        if end > len(data):
            raise PhotoTruncated("the JPEG data ends early: send the file again")
        if not _is_sound(marker, data[at + 4 : end]):
            raise NotAPhoto("the JPEG header is damaged: save the photo again")
        if marker == 0xDA:
            found = _ENTROPY_END.search(data, end)
            if found is None:
                raise PhotoTruncated("the JPEG data ends early: send the file again")
            end = found.start()
        yield marker, at, end
        at = end
    raise too_many_parts("JPEG")


def _is_sound(marker: int, body: bytes) -> bool:
    """Whether a segment is what its marker says, as decoders demand; what is text under another name is not.

    References
    ----------
    ITU-T T.81 (1992), annex B: markers (table B.1), lengths of frame, scan and table segments.
    """
    if marker in _FREE_TEXT:
        return True
    if marker in _FRAMES:
        return len(body) >= 6 and 1 <= body[5] <= 4 and len(body) == 6 + 3 * body[5]
    if marker == 0xDA:
        return len(body) >= 1 and 1 <= body[0] <= 4 and len(body) == 4 + 2 * body[0]
    if marker == 0xDB:
        return _fills_quantisation_tables(body)
    if marker == 0xC4:
        return _fills_huffman_tables(body)
    if marker in (0xDD, 0xDC):
        return len(body) == 2
    return marker == 0xCC and len(body) % 2 == 0 and len(body) <= 40


def _fills_quantisation_tables(body: bytes) -> bool:
    at = 0
    while at < len(body):
        if body[at] >> 4 > 1 or body[at] & 15 > 3:
            return False
        at += 1 + 64 * (1 + (body[at] >> 4))
    return at == len(body)


def _fills_huffman_tables(body: bytes) -> bool:
    at = 0
    while at + 17 <= len(body):
        if body[at] >> 4 > 1 or body[at] & 15 > 3:
            return False
        at += 17 + sum(body[at + 1 : at + 17])
    return at == len(body)


def png_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Yield (type, start, end) of each chunk, with its length and checksum, up to and with IEND."""
    at = 8
    for _ in range(MAX_PARTS):
        length, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data):
            raise PhotoTruncated("the PNG data ends early: send the file again")
        yield kind, at, end
        if kind == b"IEND":
            return
        at = end
    raise too_many_parts("PNG")


def webp_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Yield (type, start, end) of each chunk within the RIFF size, padding included."""
    (size,) = struct.unpack_from("<I", data, 4)
    at, stop = 12, 8 + size
    if stop > len(data):
        raise PhotoTruncated("the WebP data ends early: send the file again")
    yield from _riff_chunks(data, at, stop)


def _riff_chunks(data: bytes, at: int, stop: int) -> Iterator[tuple[bytes, int, int]]:
    """(type, start, end) of the chunks between two places."""
    for _ in range(MAX_PARTS):
        if at + 8 > stop:
            return
        kind, length = struct.unpack_from("<4sI", data, at)
        end = at + 8 + length + length % 2
        if at + 8 + length > stop:
            raise PhotoTruncated("the WebP data ends early: send the file again")
        yield kind, at, min(end, stop)
        at = end
    raise too_many_parts("WebP")


def first_picture_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """The chunks up to the first picture; of an animation, those within its first frame."""
    for kind, start, end in webp_chunks(data):
        if kind != b"ANMF":
            yield kind, start, end
            continue
        yield from _riff_chunks(data, start + 8 + 16, end)  # behind the frame's place, size and duration
        return


def riff_chunk(kind: bytes, body: bytes) -> bytes:
    """One chunk with its length and padding."""
    return kind + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def join_webp(parts: list[bytes]) -> bytes:
    """A WebP file of these chunks."""
    body = b"WEBP" + b"".join(parts)
    if len(body) > 0xFFFFFFF0:
        raise PhotoTooLarge("the WebP is too large: send a smaller photo")
    return b"RIFF" + struct.pack("<I", len(body)) + body
