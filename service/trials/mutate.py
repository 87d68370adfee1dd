"""Small valid files and random damage to them, the same for the same seed."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable

import cv2
import numpy as np
from PIL import Image

from model.errors import PhotoError
from model.file_parts import png_chunks
from service.trials import hostile

TELLING_BYTES = (0x00, 0x01, 0x7F, 0x80, 0xFE, 0xFF)  # sizes and markers break on these
MOST_CHANGES = 8
HEAD_BYTES = 400  # where sizes, tables and offsets lie


def list_seeds() -> list[bytes]:
    """Valid files of every kind that is read, a few kilobytes each."""
    small = hostile.draw_plate(*hostile.SMALL)
    upside_down = Image.fromarray(np.ascontiguousarray(small[::-1, :, ::-1]))
    exif = Image.Exif()
    exif[0x0112], exif.get_ifd(0x8769)[0x9003] = 6, "2024:05:06 07:08:09"
    grey16 = np.asarray(small[..., 1].astype(np.uint16) * 257)
    return [
        hostile.encode(hostile.JPEG, small),
        hostile.encode(hostile.JPEG, small, cv2.IMWRITE_JPEG_PROGRESSIVE, 1),
        hostile.encode(hostile.JPEG, small, cv2.IMWRITE_JPEG_RST_INTERVAL, 3),
        hostile.save(small, "JPEG", exif=exif.tobytes(), comment=b"plate"),
        hostile.save(small, "MPO", save_all=True, append_images=[upside_down]),
        hostile.encode(hostile.PNG, small),
        bytes(cv2.imencode(".png", grey16)[1].tobytes()),
        hostile.encode(hostile.PNG, np.dstack([small, small[..., 1]])),
        hostile.save(small, "PNG", save_all=True, append_images=[upside_down], exif=exif.tobytes()),
        hostile.encode(hostile.WEBP, small),
        hostile.save(small, "WEBP", lossless=True, exif=exif.tobytes()),
        hostile.save(small, "WEBP", save_all=True, append_images=[upside_down]),
    ]


def mutate(seeds: list[bytes], rng: np.random.Generator) -> bytes:
    """One of the seeds with one to eight kinds of damage."""
    data = bytearray(seeds[int(rng.integers(len(seeds)))])
    for _ in range(int(rng.integers(1, MOST_CHANGES + 1))):
        if not data:
            break
        kind = DAMAGE[int(rng.choice(len(DAMAGE), p=DAMAGE_SHARES))]
        data = kind(data, seeds, rng)
    whole = bytes(data)
    return mend_checksums(whole) if whole[:8] == hostile.PNG_SIGN and rng.random() < 0.7 else whole


def _place(data: bytearray, rng: np.random.Generator) -> int:
    """A place in the file, half of the time in its head."""
    most = min(len(data), HEAD_BYTES) if rng.random() < 0.5 else len(data)
    return int(rng.integers(most))


def _set_byte(data: bytearray, _: list[bytes], rng: np.random.Generator) -> bytearray:
    data[_place(data, rng)] = int(rng.integers(256))
    return data


def _set_telling_byte(data: bytearray, _: list[bytes], rng: np.random.Generator) -> bytearray:
    data[_place(data, rng)] = TELLING_BYTES[int(rng.integers(len(TELLING_BYTES)))]
    return data


def _flip_bit(data: bytearray, _: list[bytes], rng: np.random.Generator) -> bytearray:
    data[_place(data, rng)] ^= 1 << int(rng.integers(8))
    return data


def _set_number(data: bytearray, _: list[bytes], rng: np.random.Generator) -> bytearray:
    """A telling 32-bit number in either byte order."""
    at = _place(data, rng)
    number = (0, 1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, len(data), 65535)[int(rng.integers(7))]
    data[at : at + 4] = struct.pack("<I" if rng.random() < 0.5 else ">I", number)
    return data


def _drop(data: bytearray, _: list[bytes], rng: np.random.Generator) -> bytearray:
    at = _place(data, rng)
    del data[at : at + int(rng.integers(1, 64))]
    return data


def _repeat(data: bytearray, _: list[bytes], rng: np.random.Generator) -> bytearray:
    at, length = _place(data, rng), int(rng.integers(1, 400))
    data[at:at] = data[at : at + length] * int(rng.integers(1, 4))
    return data


def _insert(data: bytearray, _: list[bytes], rng: np.random.Generator) -> bytearray:
    data[(at := _place(data, rng)) : at] = rng.bytes(int(rng.integers(1, 40)))
    return data


def _cut(data: bytearray, _: list[bytes], rng: np.random.Generator) -> bytearray:
    return data[: int(rng.integers(len(data) + 1))]


def _splice(data: bytearray, seeds: list[bytes], rng: np.random.Generator) -> bytearray:
    """The head of one file with a stretch of another in it."""
    other = seeds[int(rng.integers(len(seeds)))]
    at, source = _place(data, rng), int(rng.integers(len(other)))
    stretch = other[source : source + int(rng.integers(1, 2000))]
    return data[:at] + stretch + data[at + len(stretch) :]


Damage = Callable[[bytearray, list[bytes], np.random.Generator], bytearray]
DAMAGE: tuple[Damage, ...] = (
    *(_set_byte, _set_telling_byte, _flip_bit, _set_number, _drop, _repeat, _insert, _cut, _splice),
)
# Cutting and splicing end most files at once; the finer kinds reach further into the decoders.
DAMAGE_SHARES = (0.24, 0.16, 0.2, 0.1, 0.08, 0.08, 0.06, 0.03, 0.05)


def mend_checksums(data: bytes) -> bytes:
    """A PNG with its chunks' checksums made right again, as far as its chunks can be followed."""
    mended = bytearray(data)
    try:
        for _, start, end in png_chunks(data):
            mended[end - 4 : end] = struct.pack(">I", zlib.crc32(data[start + 4 : end - 4]))
    except (PhotoError, struct.error):
        pass
    return bytes(mended)
