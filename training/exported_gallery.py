"""The vectors and labels of a gallery from its archive, as `rimlight export` writes it; no photo is opened.

The archive is a ZIP of JSON lines whose last member lists the SHA-256 of all others; ``FORMATS.md`` beside
the exchange says what each table holds.
"""

from __future__ import annotations

import base64
import hashlib
import json
import zipfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from model.leave_out import LabelledPhotos
from model.lookup import Gallery, GalleryItem

FORMAT, CHECKSUMS = "rimlight archive", "checksums.sha256"
NOT_THE_RIM = "mark"  # photos of base marks show no border


class NoGallery(ValueError):
    """There is no whole archive with vectors there; it says why."""


def find_archive(told: Path) -> Path:
    """The archive told, or the only one in a folder told.

    Raises
    ------
    NoGallery
        There is none, or more than one.
    """
    if told.is_file():
        return told
    found = sorted(path for path in told.glob("*") if path.is_file() and zipfile.is_zipfile(path))
    if len(found) != 1:
        raise NoGallery(
            f"{len(found)} archives in {told}: make one with `rimlight export`, or name the file itself"
        )
    return found[0]


def load_gallery(path: Path) -> tuple[LabelledPhotos, list[str]]:
    """Photos of the present items with vectors of the commonest recipe, and the reading id of each.

    Raises
    ------
    NoGallery
        It is no whole archive, or holds no vectors.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            _verify(archive)
            tables = {
                name: list(_rows(archive, name))
                for name in ("motif", "reading", "vector", "gallery_item", "register_record")
            }
    except (zipfile.BadZipFile, KeyError, OSError) as error:
        raise NoGallery(f"{path.name} is no whole archive ({error}): export it again") from error
    return _join(tables)


def _verify(archive: zipfile.ZipFile) -> None:
    about = json.loads(archive.read("about.json"))
    if about.get("format") != FORMAT:
        raise NoGallery("this is an archive of something else")
    for line in archive.read(CHECKSUMS).decode("ascii").splitlines():
        digest, _, name = line.partition("  ")
        if name.startswith("records/") and hashlib.sha256(archive.read(name)).hexdigest() != digest:
            raise NoGallery(f"{name} is not what its checksum says: export it again")


def _rows(archive: zipfile.ZipFile, table: str) -> Iterator[dict[str, Any]]:
    for name in sorted(archive.namelist()):
        if name.startswith(f"records/{table}."):
            yield from (json.loads(line) for line in archive.read(name).splitlines())


def _join(tables: dict[str, list[dict[str, Any]]]) -> tuple[LabelledPhotos, list[str]]:
    names = {row["id"]: row["name"] for row in tables["motif"]}
    photo_of = {row["id"]: row["photo_sha256"] for row in tables["reading"]}
    present = {row["reading_id"]: row for row in tables["gallery_item"] if not row["removed_at"]}
    vectors = [row for row in tables["vector"] if row["reading_id"] in present]
    if not vectors:
        raise NoGallery("the archive holds no vectors of gallery photos: confirm some photos first")
    (recipe_id, _), *_ = Counter(row["recipe_id"] for row in vectors).most_common(1)
    vectors = [row for row in vectors if row["recipe_id"] == recipe_id]
    vectors.sort(key=lambda row: (row["reading_id"], row["ordinal"]))
    readings = sorted({row["reading_id"] for row in vectors})
    place = {reading: k for k, reading in enumerate(readings)}
    piece_of = _pieces(tables["register_record"])
    items = tuple(
        GalleryItem(
            present[r]["id"], present[r]["motif_id"], names[present[r]["motif_id"]], present[r]["variant"]
        )
        for r in readings
    )
    numbers = np.stack([np.frombuffer(base64.b64decode(row["numbers"]), "<f4") for row in vectors])
    gallery = Gallery(
        numbers.astype(np.float32),
        np.array([place[row["reading_id"]] for row in vectors], np.int64),
        items,
        str(recipe_id),
    )
    # The same photo sent twice is one piece, whatever else is known.
    pieces = tuple(piece_of.get(r, f"photo {photo_of[r]}") for r in readings)
    return LabelledPhotos(gallery, pieces, np.array([row["weight"] for row in vectors], np.float32)), readings


def _pieces(records: list[dict[str, Any]]) -> dict[str, str]:
    """Piece of the register that each reading's photo shows."""
    found = {}
    for row in records:
        if row["kind"] == "piece" and not row["removed_at"]:
            for photo in json.loads(row["body"]).get("photos", []):
                if photo.get("role") != NOT_THE_RIM:
                    found[photo["reading_id"]] = f"piece {row['id']}"
    return found
