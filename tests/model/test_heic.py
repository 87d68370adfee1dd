"""HEIC photos. The file was made once with another library's encoder: a red block marks its upper left."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from model import heic_boxes
from model.errors import NotAPhoto, PhotoError, PhotoTooLarge, PhotoTruncated
from model.heic_boxes import read_heic
from model.photo import check_limits, decode_photo, sealed_copy

DATA = (Path(__file__).resolve().parents[1] / "data" / "plate.heic").read_bytes()
SECRETS = (b"SERIAL-77", b"MAKER-NAME", b"NOTE-77", b"SECRET-XMP")

needs_extra = pytest.mark.skipif(not heic_boxes.can_decode(), reason="the heic extra is not installed")


def test_without_the_extra_the_refusal_says_what_helps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heic_boxes, "can_decode", lambda: False)
    with pytest.raises(NotAPhoto, match=r"rimlight\[heic\].*JPEG"):
        decode_photo(DATA)


@needs_extra
def test_the_first_picture_is_read_upright_with_time_and_focal_length() -> None:
    photo = decode_photo(DATA)
    # Stored 240 x 180 with EXIF orientation 6 and the same turn as a property: shown 180 x 240, and what
    # was at the upper left is at the upper right. The second picture of the file is a negative.
    assert photo.pixels.shape == (240, 180, 3)
    red, table = photo.pixels[20, 165], photo.pixels[20, 15]
    assert red[0] > red[1] + 100
    assert np.abs(table.astype(int) - [96, 84, 70]).max() < 15
    assert (photo.taken_at, photo.focal_length_35mm) == ("2024-05-06T07:08:09", 26.0)
    assert photo.profile.note is None


@needs_extra
def test_the_private_copy_keeps_the_picture_and_drops_the_rest_where_it_lies() -> None:
    sealed = sealed_copy(DATA + b"PK\x03\x04 behind the end")
    before, after = decode_photo(DATA), decode_photo(sealed)
    assert np.array_equal(before.pixels, after.pixels)
    assert (after.taken_at, after.focal_length_35mm) == ("2024-05-06T07:08:09", 26.0)
    assert np.array_equal(before.profile.curve, after.profile.curve)
    assert all(secret in DATA for secret in SECRETS)
    assert not any(secret in sealed for secret in (*SECRETS, b"PK\x03\x04"))
    assert len(sealed) == len(DATA)
    assert sealed_copy(sealed) == sealed


@needs_extra
def test_the_second_picture_is_blanked_in_the_private_copy() -> None:
    sealed = sealed_copy(DATA)
    found = read_heic(DATA)
    kept = sum(end - start for start, end in found.kept)
    changed = np.frombuffer(sealed, np.uint8) != np.frombuffer(DATA, np.uint8)
    assert kept == 3167  # the first picture's data, by the file's own table
    assert changed.sum() > 2500  # the rest of some 6,700 bytes of media
    start, end = found.kept[0]
    assert not changed[start:end].any()


@needs_extra
def test_a_size_over_the_limit_is_refused_before_decoding() -> None:
    at = DATA.index(b"ispe") + 8
    with pytest.raises(PhotoTooLarge, match="megapixels"):
        check_limits(DATA[:at] + struct.pack(">II", 30000, 30000) + DATA[at + 8 :])


@needs_extra
def test_a_size_that_the_picture_does_not_have_is_refused() -> None:
    at = DATA.index(b"ispe") + 8
    with pytest.raises(NotAPhoto):
        decode_photo(DATA[:at] + struct.pack(">II", 2400, 1800) + DATA[at + 8 :])


@needs_extra
@pytest.mark.parametrize("share", [0.002, 0.1, 0.2, 0.5, 0.99])
def test_a_truncated_file_is_refused(share: float) -> None:
    with pytest.raises((PhotoTruncated, NotAPhoto)):
        decode_photo(DATA[: int(len(DATA) * share)])


@needs_extra
@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(DATA) - 1), st.integers(0, 255)), min_size=1, max_size=8))
def test_mutated_files_raise_only_photo_errors_and_never_keep_a_secret(
    changes: list[tuple[int, int]],
) -> None:
    data = bytearray(DATA)
    for place, value in changes:
        data[place % (1200 if value % 2 else len(data))] = value  # half of them in the boxes
    try:
        decode_photo(bytes(data))
        sealed = sealed_copy(bytes(data))
    except PhotoError as error:
        assert len(str(error)) > 20
        return
    assert b"SERIAL-77" not in sealed
