"""The private copy: picture data and needed metadata stay, everything else goes."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from model.errors import PhotoError
from model.photo import decode_photo, sealed_copy

SECRETS = (b"SECRET-SERIAL", b"SECRET-OWNER", b"SECRET-COMMENT")


def _photo_file(kind: str) -> bytes:
    y, x = np.mgrid[:90, :120]
    rgb = np.stack([x * 2, y * 2, (x * y) % 256], axis=2).astype(np.uint8)
    exif = Image.Exif()
    exif[0x0112], exif[0x013B] = 6, SECRETS[1].decode()
    sub = exif.get_ifd(0x8769)
    sub[0x9003], sub[0xA405], sub[0xA431] = "2024:05:06 07:08:09", 26, SECRETS[0].decode()
    exif.get_ifd(0x8825)[2] = (48.0, 51.0, 30.0)
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    options: dict[str, object] = {"exif": exif.tobytes(), "icc_profile": icc}
    if kind == "JPEG":
        options["comment"] = SECRETS[2]
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, kind, **options)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_copy_keeps_what_reading_needs_and_drops_the_rest(kind: str) -> None:
    data = _photo_file(kind)
    sealed = sealed_copy(data + b"SECRET-COMMENT behind the end")
    before, after = decode_photo(data), decode_photo(sealed)
    assert np.array_equal(before.pixels, after.pixels)
    assert (after.taken_at, after.focal_length_35mm) == ("2024-05-06T07:08:09", 26.0)
    assert np.array_equal(before.profile.curve, after.profile.curve)
    assert any(secret in data for secret in SECRETS)
    assert not any(secret in sealed for secret in SECRETS)
    exif = Image.open(io.BytesIO(sealed)).getexif()
    assert dict(exif.get_ifd(0x8825)) == {}
    assert exif[0x0112] == 6


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_sealing_twice_changes_nothing_more(kind: str) -> None:
    once = sealed_copy(_photo_file(kind))
    assert sealed_copy(once) == once


def test_the_compressed_scan_is_untouched() -> None:
    data = _photo_file("JPEG")
    scan = data[data.rindex(b"\xff\xda") :]
    assert sealed_copy(data).endswith(scan)


@settings(max_examples=150, deadline=None)
@given(
    kind=st.sampled_from(["JPEG", "PNG", "WEBP"]),
    changes=st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), min_size=1, max_size=8),
)
def test_mutated_files_raise_only_photo_errors(kind: str, changes: list[tuple[int, int]]) -> None:
    data = bytearray(_FILES[kind])
    for place, value in changes:
        data[place % len(data)] = value
    try:
        sealed = sealed_copy(bytes(data))
    except PhotoError:
        return
    assert not any(secret in sealed for secret in SECRETS)


@pytest.mark.parametrize("marker", [0x00, 0x01, 0x41, 0xC1, 0xC4, 0xD5, 0xDA, 0xDB, 0xDE])
def test_metadata_under_the_name_of_another_segment_is_refused(marker: int) -> None:
    """Names and lengths of segments: ITU-T T.81 (1992), annex B."""
    data = bytearray(_photo_file("JPEG"))
    data[data.index(b"\xff\xe1") + 1] = marker
    with pytest.raises(PhotoError):
        sealed_copy(bytes(data))


_FILES = {kind: _photo_file(kind) for kind in ("JPEG", "PNG", "WEBP")}
