"""Two corpora of files, generated: what must be refused, and what looks odd and must be read safely."""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Callable, Iterator
from functools import lru_cache, partial
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from model.file_parts import jpeg_segments, png_chunks, webp_chunks

Pixels = npt.NDArray[np.uint8]

PNG_SIGN = b"\x89PNG\r\n\x1a\n"
BOMB_SIDE_PX = 30_000  # at one bit a pixel some 109 kB, 900 megapixels
LARGE_PROFILE_BYTES = 1_500_000  # a print profile with large tables
SMALL = (72, 96)  # rows, columns: files of a few kilobytes
JPEG, PNG, WEBP = ".jpg", ".png", ".webp"


@lru_cache(maxsize=8)
def draw_plate(rows: int = 360, columns: int = 480) -> Pixels:
    """A pale plate with a printed edge line on a brown table, BGR; not writeable."""
    picture = np.full((rows, columns, 3), (70, 84, 96), np.uint8)
    centre, radius = (columns // 2, rows // 2), int(rows * 0.43)
    cv2.circle(picture, centre, radius, (232, 236, 238), -1, cv2.LINE_AA)
    cv2.circle(picture, centre, int(radius * 0.97), (70, 140, 175), max(1, rows // 90), cv2.LINE_AA)
    for turn in np.radians(np.arange(0, 360, 15)):
        x, y = centre[0] + 0.86 * radius * np.cos(turn), centre[1] + 0.86 * radius * np.sin(turn)
        cv2.circle(picture, (round(x), round(y)), max(1, rows // 40), (70, 140, 175), -1, cv2.LINE_AA)
    picture.flags.writeable = False
    return picture


def encode(suffix: str, pixels: Pixels, *options: int) -> bytes:
    """The picture as a file of that kind."""
    return bytes(cv2.imencode(suffix, pixels, list(options))[1].tobytes())


def save(pixels: Pixels, kind: str, **options: Any) -> bytes:
    """BGR pixels as a file with metadata or several pictures."""
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels[..., ::-1])).save(buffer, kind, **options)
    return buffer.getvalue()


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """One chunk with its length and checksum."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def one_bit_png(width: int, height: int, rows: int | None = None) -> bytes:
    """A one-bit PNG of that size; ``rows`` of its data are there, by default all."""
    packer = zlib.compressobj(9)
    line = b"\0" * (1 + (width + 7) // 8)
    packed = b"".join(packer.compress(line) for _ in range(height if rows is None else rows))
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    body = png_chunk(b"IHDR", head) + png_chunk(b"IDAT", packed + packer.flush())
    return PNG_SIGN + body + png_chunk(b"IEND", b"")


def jpeg_of_many_scans(scans: int, progressive: bool = True) -> bytes:
    """A JPEG whose last scan is repeated until it has that many."""
    data = encode(JPEG, draw_plate(), cv2.IMWRITE_JPEG_PROGRESSIVE, int(progressive))
    segments = list(jpeg_segments(data))
    own = sum(marker == 0xDA for marker, _, _ in segments)
    start, end = [(start, end) for marker, start, end in segments if marker == 0xDA][-1]
    return data[:end] + data[start:end] * (scans - own) + data[end:]


def _restate_size(data: bytes, width: int, height: int) -> bytes:
    """A JPEG whose frame claims another size."""
    at = re.search(rb"\xff[\xc0\xc2]\0\x11\x08", data)
    assert at is not None
    return data[: at.end()] + struct.pack(">HH", height, width) + data[at.end() + 4 :]


def list_refused() -> dict[str, Callable[[], bytes]]:
    """What must be refused, by name; each is made when called, as some are large."""
    jpeg, png, webp = (encode(suffix, draw_plate()) for suffix in (JPEG, PNG, WEBP))
    files: dict[str, Callable[[], bytes]] = {
        "a one-bit PNG of 900 megapixels": lambda: one_bit_png(BOMB_SIDE_PX, BOMB_SIDE_PX),
        "a PNG of 900 megapixels without its data": lambda: one_bit_png(BOMB_SIDE_PX, BOMB_SIDE_PX, 10),
        "a PNG just over 40 megapixels": lambda: one_bit_png(8000, 5001),
        "a PNG of the widest size": lambda: one_bit_png(2**31 - 1, 1, 0),
        "a PNG of size zero": lambda: one_bit_png(0, 0, 0),
        "a PNG without most of its rows": lambda: one_bit_png(4000, 3000, 20),
        "a PNG of a million chunks": lambda: PNG_SIGN + png[8:33] + png_chunk(b"teXt", b"") * 10**6,
        "a JPEG of 101 progressive scans": lambda: jpeg_of_many_scans(101),
        "a JPEG of 5,000 progressive scans": lambda: jpeg_of_many_scans(5000),
        "a JPEG of 500 plain scans": lambda: jpeg_of_many_scans(500, progressive=False),
        "a JPEG that claims 4 gigapixels": lambda: _restate_size(jpeg, 65535, 65535),
        "a JPEG of a million comments": lambda: jpeg[:2] + b"\xff\xfe\0\2" * 10**6 + jpeg[2:],
        "a JPEG of millions of fill bytes": lambda: jpeg[:2] + b"\xff" * 29_000_000,
        "a JPEG of zero height": lambda: _restate_size(jpeg, 480, 0),
        "over 30 MB": lambda: jpeg[:-2] + bytes(30_000_000) + jpeg[-2:],
        "a WebP of a million chunks": lambda: _webp_of_many_chunks(webp),
        "too few pixels": lambda: encode(PNG, draw_plate(*SMALL)[:40]),
    }
    files |= {name: partial(bytes, data) for name, data in _not_photos().items()}
    return files | {name: partial(bytes, data) for name, data in truncate_everywhere()}


def _webp_of_many_chunks(webp: bytes) -> bytes:
    body = b"WEBP" + b"JUNK\0\0\0\0" * 10**6 + webp[12:]
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _not_photos() -> dict[str, bytes]:
    picture = draw_plate(*SMALL)
    return {
        "an empty file": b"",
        "one byte": b"\xff",
        "only a JPEG's first bytes": b"\xff\xd8\xff",
        "only a PNG's sign": PNG_SIGN,
        "text": b"this is a text about plates\n" * 200,
        "zeros": bytes(100_000),
        "a page": b"<!doctype html><title>plate</title><script>alert(1)</script>" * 20,
        "a drawing": b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>',
        "an archive": b"PK\x03\x04" + bytes(5000),
        "a document": b"%PDF-1.7\n" + bytes(5000),
        "a GIF": save(picture, "GIF"),
        "a BMP": save(picture, "BMP"),
        "a TIFF": save(picture, "TIFF"),
        "a JPEG 2000": b"\0\0\0\x0cjP  \r\n\x87\n" + bytes(5000),
        "a film": b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(5000),
        "noise": np.random.default_rng(3).bytes(50_000),
        "a RIFF that is no WebP": b"RIFF\x10\x27\0\0WAVEfmt " + bytes(10_000),
    }


def truncate_everywhere() -> Iterator[tuple[str, bytes]]:
    """Each kind of file, cut at every marker or chunk and once within each."""
    small = draw_plate()
    files = {
        "JPEG": encode(JPEG, small),
        "progressive JPEG": encode(JPEG, small, cv2.IMWRITE_JPEG_PROGRESSIVE, 1),
        "JPEG with restarts": encode(JPEG, small, cv2.IMWRITE_JPEG_RST_INTERVAL, 4),
        "PNG": encode(PNG, small),
        "WebP": encode(WEBP, small),
        "WebP with metadata": save(small, "WEBP", exif=_exif(2000), icc_profile=_icc(3000)),
    }
    for name, data in files.items():
        for number, place in enumerate(sorted(_find_cuts(name, data))):
            if place < len(data):
                yield f"a {name} cut at place {number}", data[:place]


def _find_cuts(name: str, data: bytes) -> set[int]:
    if "JPEG" in name:
        parts = [(start, end) for _, start, end in jpeg_segments(data)]
    else:
        walk = png_chunks if name == "PNG" else webp_chunks
        parts = [(start, end) for _, start, end in walk(data)]
    return {place for start, end in parts for place in (start, start + 3, (start + end) // 2, end - 1)}


def list_odd() -> dict[str, tuple[str, bytes]]:
    """What must be read safely, by name: the file name it is sent under, and its bytes."""
    plate = draw_plate()
    upside_down, jpeg, png = plate[::-1], encode(JPEG, plate), encode(PNG, plate)
    second = Image.fromarray(np.ascontiguousarray(upside_down[..., ::-1]))
    several = {"save_all": True, "append_images": [second]}
    return {
        "a multi-picture JPEG": ("a.jpg", save(plate, "MPO", **several)),
        "an animated WebP": ("a.webp", save(plate, "WEBP", lossless=True, **several)),
        "an animated PNG": ("a.png", save(plate, "PNG", **several)),
        "a JPEG with an archive behind it": ("a.jpg", jpeg + b"PK\x03\x04" + bytes(20_000)),
        "a JPEG with a page behind it": ("a.html", jpeg + b"<script>alert(1)</script>"),
        "a JPEG with a film behind it": ("a.jpg", jpeg + b"\0\0\0\x18ftypmp42" + bytes(300_000)),
        "a PNG with a JPEG behind it": ("a.png", png + jpeg),
        "a WebP with text behind it": ("a.webp", encode(WEBP, plate) + b"text" * 1000),
        "a PNG called a JPEG": ("a.jpg", png),
        "a JPEG called a PNG": ("a.png", jpeg),
        "a WebP called a text": ("../../a.txt\0.jpg", encode(WEBP, plate)),
        "a JPEG with large EXIF": ("a.jpg", save(plate, "JPEG", exif=_exif(60_000))),
        "a JPEG with a large profile": ("a.jpg", save(plate, "JPEG", icc_profile=_icc(LARGE_PROFILE_BYTES))),
        "a PNG with a large profile": ("a.png", save(plate, "PNG", icc_profile=_icc(LARGE_PROFILE_BYTES))),
        "a WebP with both": ("a.webp", save(plate, "WEBP", exif=_exif(60_000), icc_profile=_icc(500_000))),
        "a JPEG of 100 scans": ("a.jpg", jpeg_of_many_scans(100)),
        "a JPEG with fill bytes": ("a.jpg", jpeg[:2] + b"\xff" * 5000 + jpeg[2:]),
        "a palette PNG": ("a.png", _palette_png()),
        "a grey 16-bit PNG": ("a.png", encode(PNG, (plate[..., 1].astype(np.uint16) * 257))),  # type: ignore[arg-type]
        "a PNG with alpha": ("a.png", encode(PNG, np.dstack([plate, plate[..., 1]]))),
        "a CMYK JPEG": ("a.jpg", _cmyk_jpeg()),
    }


def _palette_png() -> bytes:
    buffer = io.BytesIO()
    rgb = Image.fromarray(np.ascontiguousarray(draw_plate()[..., ::-1]))
    rgb.quantize(32).save(buffer, "PNG", transparency=3)
    return buffer.getvalue()


def _cmyk_jpeg() -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(draw_plate()[..., ::-1])).convert("CMYK").save(buffer, "JPEG")
    return buffer.getvalue()


def _exif(size: int) -> bytes:
    """A valid EXIF block with a long maker's note, a position and a serial number."""
    exif = Image.Exif()
    exif[0x0112] = 1
    sub = exif.get_ifd(0x8769)
    sub[0x9003], sub[0xA431] = "2024:05:06 07:08:09", "SERIAL-77"
    sub[0x927C] = b"\x5a" * (size - 400)
    exif.get_ifd(0x8825)[2] = (48.0, 51.0, 30.0)
    return exif.tobytes()


def _icc(size: int) -> bytes:
    """A valid sRGB profile with a long private tag behind its own."""
    from PIL import ImageCms

    own = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    (count,) = struct.unpack_from(">I", own, 128)
    table = bytearray()
    for index in range(count):
        name, offset, length = struct.unpack_from(">4sII", own, 132 + 12 * index)
        table += struct.pack(">4sII", name, offset + 12, length)
    extra = b"data\0\0\0\0\0\0\0\1" + np.random.default_rng(5).bytes(size)
    at = len(own) + 12
    table += struct.pack(">4sII", b"PRVT", at, len(extra))
    body = own[:128] + struct.pack(">I", count + 1) + table + own[132 + 12 * count :] + extra
    body[:4] = struct.pack(">I", len(body))
    return bytes(body)
