"""Decoding: limits, orientation, colour profiles, alpha, truncated and mutated files."""

from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from model.errors import NotAPhoto, PhotoError, PhotoTooLarge, PhotoTooSmall, PhotoTruncated
from model.photo import check_limits, decode_photo

# Exif 3.0 (CIPA DC-008), orientation applied to the stored [[1, 2, 3], [4, 5, 6]].
ORIENTED = {
    1: [[1, 2, 3], [4, 5, 6]],
    2: [[3, 2, 1], [6, 5, 4]],
    3: [[6, 5, 4], [3, 2, 1]],
    4: [[4, 5, 6], [1, 2, 3]],
    5: [[1, 4], [2, 5], [3, 6]],
    6: [[4, 1], [5, 2], [6, 3]],
    7: [[6, 3], [5, 2], [4, 1]],
    8: [[3, 6], [2, 5], [1, 4]],
}


def _scene(height: int = 60, width: int = 80) -> np.ndarray:
    y, x = np.mgrid[:height, :width]
    return np.stack([x * 3 % 256, y * 4 % 256, (x + y) % 256], axis=2).astype(np.uint8)


def _file(rgb: np.ndarray, kind: str = "JPEG", **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, kind, **options)
    return buffer.getvalue()


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["PNG", "JPEG", "WEBP"])
def test_photo_is_turned_upright_as_the_exif_table_says(orientation: int, kind: str) -> None:
    stored = np.kron(np.array(ORIENTED[1]), np.ones((32, 32))).astype(np.uint8) * 30
    exif = Image.Exif()
    exif[0x0112] = orientation
    photo = decode_photo(_file(np.dstack([stored] * 3), kind, exif=exif.tobytes()))
    upright = photo.pixels[16::32, 16::32, 0]
    assert np.abs(upright / 30.0 - np.array(ORIENTED[orientation])).max() < 0.3


def test_pixels_are_read_only_and_rgb() -> None:
    photo = decode_photo(_file(np.full((60, 80, 3), (200, 30, 10), np.uint8)))
    assert not photo.pixels.flags.writeable
    assert np.abs(photo.pixels[30, 40].astype(int) - [200, 30, 10]).max() <= 3


def test_alpha_is_laid_over_white() -> None:
    rgba = np.zeros((60, 80, 4), np.uint8)
    rgba[:, 40:] = (10, 20, 30, 255)
    photo = decode_photo(_file(rgba, "PNG"))
    assert (photo.pixels[:, :40] == 255).all()
    assert (photo.pixels[:, 40:] == [10, 20, 30]).all()


def test_sixteen_bit_and_grey_pictures_are_read() -> None:
    deep = (np.arange(60 * 80).reshape(60, 80) * 13).astype(np.uint16)
    photo = decode_photo(_file(deep, "PNG"))
    assert np.abs(photo.pixels[..., 0].astype(float) - deep / 257).max() <= 1
    grey = decode_photo(_file(np.full((60, 80), 77, np.uint8), "JPEG"))
    assert grey.pixels.shape == (60, 80, 3)


def test_time_and_focal_length_come_from_exif() -> None:
    exif = Image.Exif()
    sub = exif.get_ifd(0x8769)
    sub[0x9003], sub[0x9011], sub[0xA405] = "2024:05:06 07:08:09", "+02:00", 26
    photo = decode_photo(_file(_scene(), exif=exif.tobytes()))
    assert photo.taken_at == "2024-05-06T07:08:09+02:00"
    assert photo.focal_length_35mm == 26.0


def test_reduced_is_made_once_and_keeps_the_aspect() -> None:
    photo = decode_photo(_file(_scene(300, 400)))
    small, scale = photo.reduced(100)
    assert small.shape == (75, 100, 3)
    assert scale == pytest.approx(0.25)
    assert photo.reduced(100)[0] is small
    assert photo.reduced(5000) == (photo.pixels, 1.0)


def _matrix_profile(columns: list[list[float]], gamma: float) -> bytes:
    """A minimal ICC.1 display profile: D50 XYZ of the primaries and one gamma."""
    tags = [(b"XYZ \0\0\0\0" + b"".join(struct.pack(">i", round(v * 65536)) for v in c)) for c in columns]
    tags.append(b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0")
    names = [b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"]
    use = [0, 1, 2, 3, 3, 3]
    offsets, at = [], 128 + 4 + 12 * 6
    for tag in tags:
        offsets.append(at)
        at += len(tag)
    table = struct.pack(">I", 6)
    for name, index in zip(names, use, strict=True):
        table += struct.pack(">4sII", name, offsets[index], len(tags[index]))
    head = bytearray(128)
    head[:4], head[12:16], head[16:20], head[20:24] = struct.pack(">I", at), b"mntr", b"RGB ", b"XYZ "
    head[8:12], head[36:40] = b"\x02\x10\0\0", b"acsp"
    return bytes(head) + table + b"".join(tags)


# Display P3 primaries in the D50 profile space, columns (the values the published profile holds).
DISPLAY_P3 = [[0.51512, 0.2412, -0.00105], [0.29198, 0.69225, 0.04189], [0.1571, 0.06657, 0.78407]]


def test_display_p3_red_lies_outside_srgb() -> None:
    photo = decode_photo(_file(_scene(), icc_profile=_matrix_profile(DISPLAY_P3, 2.2)))
    red = photo.linearise(np.array([[255, 0, 0]], np.uint8))[0]
    # Linear sRGB of the P3 red primary: 1.2249, -0.0420, -0.0197 (P3-to-sRGB matrix, CSS Color 4).
    assert red == pytest.approx([1.2249, -0.0420, -0.0197], abs=2e-3)
    white = photo.linearise(np.full((1, 3), 255, np.uint8))[0]
    assert white == pytest.approx([1, 1, 1], abs=2e-3)


def test_the_srgb_profile_of_pillow_reads_as_plain_srgb() -> None:
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    plain, tagged = decode_photo(_file(_scene())), decode_photo(_file(_scene(), icc_profile=icc))
    values = np.arange(256, dtype=np.uint8)[:, None].repeat(3, axis=1)
    assert np.abs(plain.linearise(values) - tagged.linearise(values)).max() < 2e-4
    assert tagged.profile.note is None


def test_an_unreadable_profile_is_noted_and_counts_as_srgb() -> None:
    photo = decode_photo(_file(_scene(), icc_profile=b"\0" * 200))
    assert photo.profile.note is not None
    # IEC 61966-2-1: encoded 188 is linear .5029
    assert photo.linearise(np.full((1, 3), 188, np.uint8))[0, 0] == pytest.approx(0.5029, abs=1e-4)


def test_an_empty_file_a_text_and_a_heic_are_named() -> None:
    for data, word in (
        (b"", "empty"),
        (b"hello, this is text" * 9, "JPEG"),
        (b"\0\0\0\x18ftypheic" * 9, "HEIC"),
    ):
        with pytest.raises(NotAPhoto, match=word):
            decode_photo(data)


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "WEBP"])
@pytest.mark.parametrize("keep", [0.3, 0.6, 0.95])
def test_truncated_data_is_refused(kind: str, keep: float) -> None:
    data = _file(np.random.default_rng(1).integers(0, 255, (90, 120, 3), dtype=np.uint8), kind)
    with pytest.raises(PhotoTruncated):
        decode_photo(data[: int(len(data) * keep)])


def test_data_after_the_end_and_further_pictures_are_ignored() -> None:
    data = _file(_scene())
    first = decode_photo(data)
    polyglot = decode_photo(data + b"PK\x03\x04" + _file(_scene(200, 100)))
    assert np.array_equal(first.pixels, polyglot.pixels)
    frames = [Image.fromarray(_scene()), Image.fromarray(255 - _scene())]
    buffer = io.BytesIO()
    frames[0].save(buffer, "WEBP", save_all=True, append_images=frames[1:], lossless=True)
    assert np.array_equal(decode_photo(buffer.getvalue()).pixels, _scene())


def _bomb_png(side: int) -> bytes:
    rows = zlib.compressobj(9)
    packed = b"".join(rows.compress(b"\0" * (1 + side // 8)) for _ in range(side)) + rows.flush()

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def test_a_small_file_of_many_pixels_is_refused_before_decoding() -> None:
    data = _bomb_png(30000)
    assert len(data) < 200_000
    with pytest.raises(PhotoTooLarge, match="megapixels"):
        decode_photo(data)


def test_too_many_bytes_and_too_few_pixels_are_refused() -> None:
    with pytest.raises(PhotoTooLarge, match="30 MB"):
        decode_photo(_file(_scene()) + b"\0" * 30_000_000)
    with pytest.raises(PhotoTooSmall):
        decode_photo(_file(_scene(20, 30)))


def test_over_a_hundred_progressive_scans_are_counted_without_decoding() -> None:
    data = _file(_scene(), progressive=True)
    assert 2 <= check_limits(data).scans <= 20
    scan = data[data.index(b"\xff\xda") : -2]
    with pytest.raises(PhotoTooLarge, match="scans"):
        decode_photo(data[:-2] + scan * 100 + data[-2:])


@settings(max_examples=400, deadline=None)
@given(
    kind=st.sampled_from(["PNG", "JPEG", "WEBP", "progressive"]),
    changes=st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), min_size=1, max_size=12),
    cut=st.integers(0, 60),
)
def test_mutated_files_raise_only_photo_errors(kind: str, changes: list[tuple[int, int]], cut: int) -> None:
    data = bytearray(_MUTATED[kind])
    for place, value in changes:
        data[place % len(data)] = value
    if cut % 3 == 0:
        data = data[: len(data) - cut]
    try:
        photo = decode_photo(bytes(data))
    except PhotoError as error:
        assert len(str(error)) > 20
    else:
        assert photo.pixels.dtype == np.uint8
        assert np.isfinite(photo.linearise(photo.pixels[:2])).all()


def _rich(kind: str, **options: object) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0x9003] = "2024:05:06 07:08:09"
    icc = _matrix_profile(DISPLAY_P3, 2.2)
    return _file(_scene(), kind, exif=exif.tobytes(), icc_profile=icc, **options)


_MUTATED = {
    "PNG": _rich("PNG"),
    "JPEG": _rich("JPEG"),
    "WEBP": _rich("WEBP"),
    "progressive": _rich("JPEG", progressive=True),
}


def test_decoding_costs_little_more_than_the_bare_decoder() -> None:
    rng = np.random.default_rng(2)
    noise = rng.integers(0, 255, (150, 200, 3), dtype=np.uint8)
    data = _file(cv2.resize(noise, (2000, 1500), interpolation=cv2.INTER_CUBIC), quality=92)
    ratios = []
    for _ in range(5):
        ticks = cv2.getTickCount()
        cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        bare = cv2.getTickCount() - ticks
        ticks = cv2.getTickCount()
        decode_photo(data)
        ratios.append((cv2.getTickCount() - ticks) / bare)
    assert min(ratios) < 1.5  # measured 1.1 on a 12-megapixel photo; slack for a busy machine
