"""HEIC photos, where the `heic` extra is installed: decoded, and copied without what is private."""

from __future__ import annotations

import io
import struct

import cv2
import numpy as np
import numpy.typing as npt

from model.heic_boxes import read_heic


def decode_heic(data: bytes) -> npt.NDArray[np.uint8] | None:
    """The first picture upright: (h, w) grey, (h, w, 3) BGR or (h, w, 4) BGRA; None where it is damaged.

    The decoder is given nothing but that picture.
    """
    import pi_heif

    try:
        file = pi_heif.open_heif(io.BytesIO(seal_heic(data, None)), convert_hdr_to_8bit=True)
        picture = file[file.primary_index]
        pixels = np.array(picture, dtype=np.uint8)
    except (ValueError, RuntimeError, OSError, EOFError, SyntaxError, IndexError):
        return None
    if pixels.ndim == 3 and pixels.shape[2] == 4:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGBA2BGRA), dtype=np.uint8)
    if pixels.ndim == 3 and pixels.shape[2] == 3:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), dtype=np.uint8)
    return pixels if pixels.ndim == 2 else None


def seal_heic(data: bytes, exif: bytes | None) -> bytes:
    """The file with only its first picture, its profile and ``exif`` left.

    What goes is overwritten where it lies: nothing moves, so every offset stays right.
    """
    found = read_heic(data)
    sealed = bytearray(data[: found.end])
    for start, end in found.media:
        blank = bytearray(end - start)
        for first, last in found.kept:
            first, last = max(first, start), min(last, end)
            if first < last:
                blank[first - start : last - start] = data[first:last]
        sealed[start:end] = blank
    for item, (start, end) in found.labels:  # names are private, and the decoder stumbles over odd ones
        if item not in found.items and item != found.exif_item:
            sealed[start : start + 4] = b"skip"
        sealed[start + 4 : end] = bytes(end - start - 4)
    for start, end in found.dropped:
        sealed[start - 4 : start] = b"free"
        sealed[start:end] = bytes(end - start)
    if exif is not None and found.exif_span is not None:
        start, end = found.exif_span
        block = struct.pack(">I", 0) + exif
        if len(block) <= end - start:
            sealed[start : start + len(block)] = block
    return bytes(sealed)
