"""The archive file: same content, same bytes; damaged, altered and hostile archives are refused.

The ZIP structure is checked against Python's own reader and Info-ZIP's rules as in PKWARE's APPNOTE 6.3.10
(from memory): stored members, one central directory.
"""

from __future__ import annotations

import hashlib
import json
import stat
import zipfile
from pathlib import Path

import pytest

from service.exchange.archive import ABOUT, CHECKSUMS, FORMAT, VERSION, Archive, ArchiveRefused, ArchiveWriter

PHOTO = b"\xff\xd8\xff" + b"picture" * 400
PHOTO_NAME = f"photos/{hashlib.sha256(PHOTO).hexdigest()}.jpg"
ROWS = b'{"id":"a","name":"Tidewrack"}\n{"id":"b","name":"Marram"}\n'


def about(version: int = VERSION) -> bytes:
    return json.dumps({"format": FORMAT, "version": version}).encode()


def write(path: Path) -> Path:
    with ArchiveWriter(path) as archive:
        archive.add(ABOUT, about())
        archive.add("records/motif.0000.jsonl", iter([ROWS[:20], ROWS[20:]]))
        archive.add(PHOTO_NAME, PHOTO)
    return path


def forge(path: Path, members: list[tuple[zipfile.ZipInfo | str, bytes]], sums: bool = True) -> Path:
    """An archive made by hand, with right checksums where wanted."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as made:
        listed = ""
        for info, data in members:
            made.writestr(info, data)
            name = info if isinstance(info, str) else info.filename
            listed += f"{hashlib.sha256(data).hexdigest()}  {name}\n"
        if sums:
            made.writestr(CHECKSUMS, listed)
    return path


def test_the_same_content_gives_the_same_bytes_and_comes_back(tmp_path: Path) -> None:
    one, other = write(tmp_path / "one.zip"), write(tmp_path / "other.zip")
    assert one.read_bytes() == other.read_bytes()
    with Archive(one) as archive:
        assert list(archive.verify()) == [ABOUT, "records/motif.0000.jsonl", PHOTO_NAME]
        assert [row["name"] for row in archive.rows("motif")] == ["Tidewrack", "Marram"]
        assert list(archive.rows("piece")) == []
        assert archive.read(PHOTO_NAME) == PHOTO


def test_any_zip_reader_opens_it_and_its_sums_are_those_of_sha256sum(tmp_path: Path) -> None:
    with zipfile.ZipFile(write(tmp_path / "a.zip")) as plain:
        assert plain.testzip() is None
        lines = plain.read(CHECKSUMS).decode().splitlines()
        for line in lines:
            digest, name = line.split("  ")
            assert hashlib.sha256(plain.read(name)).hexdigest() == digest
        assert len(lines) == len(plain.namelist()) - 1


def test_an_error_while_writing_leaves_no_file(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="disk"), ArchiveWriter(tmp_path / "a.zip") as archive:
        archive.add(ABOUT, about())
        raise RuntimeError("disk gone")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kept", [0.0, 0.2, 0.5, 0.9, 0.999])
def test_a_part_of_an_archive_is_refused(tmp_path: Path, kept: float) -> None:
    data = write(tmp_path / "a.zip").read_bytes()
    (tmp_path / "half.zip").write_bytes(data[: int(kept * len(data))])
    with pytest.raises(ArchiveRefused, match="Nothing was changed"):
        Archive(tmp_path / "half.zip")


def test_every_flipped_byte_of_a_member_is_noticed(tmp_path: Path) -> None:
    data = bytearray(write(tmp_path / "a.zip").read_bytes())
    for place in (data.find(b"Tidewrack"), data.find(b"picture") + 5):
        changed = bytearray(data)
        changed[place] ^= 1
        (tmp_path / "b.zip").write_bytes(changed)
        with pytest.raises(ArchiveRefused), Archive(tmp_path / "b.zip") as archive:
            list(archive.verify())


def test_a_wrong_checksum_is_refused_though_the_zip_itself_is_sound(tmp_path: Path) -> None:
    path = forge(
        tmp_path / "a.zip",
        [(ABOUT, about()), (CHECKSUMS, f"{'0' * 64}  {ABOUT}\n".encode())],
        sums=False,
    )
    with pytest.raises(ArchiveRefused, match="checksum"), Archive(path) as archive:
        list(archive.verify())


def test_a_photo_under_another_photos_name_is_refused(tmp_path: Path) -> None:
    path = forge(tmp_path / "a.zip", [(ABOUT, about()), (f"photos/{'a' * 64}.jpg", PHOTO)])
    with pytest.raises(ArchiveRefused, match="name says"), Archive(path) as archive:
        list(archive.verify())


def link(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.create_system, info.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    return info


def packed(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.compress_type = zipfile.ZIP_DEFLATED
    return info


@pytest.mark.parametrize(
    ("member", "said"),
    [
        ("../outside.jsonl", "no archive has"),
        ("/etc/absolute.jsonl", "no archive has"),
        ("photos/../../outside.jpg", "no archive has"),
        ("records\\motif.0000.jsonl", "no archive has"),
        ("C:/outside.jpg", "no archive has"),
        (link(PHOTO_NAME), "link"),
        (packed(PHOTO_NAME), "packed"),
        ("records/Motif.0000.jsonl", "no archive has"),
    ],
)
def test_tricks_with_names_links_and_packing_are_refused(
    tmp_path: Path, member: zipfile.ZipInfo | str, said: str
) -> None:
    path = forge(tmp_path / "a.zip", [(ABOUT, about()), (member, b"x" * 1000)])
    with pytest.raises(ArchiveRefused, match=said):
        Archive(path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.zip"]


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_member_that_stands_twice_is_refused(tmp_path: Path) -> None:
    path = forge(tmp_path / "a.zip", [(ABOUT, about()), (PHOTO_NAME, PHOTO), (PHOTO_NAME, PHOTO)])
    with pytest.raises(ArchiveRefused, match="twice"):
        Archive(path)


def test_a_bomb_is_refused_before_anything_is_unpacked(tmp_path: Path) -> None:
    path = forge(
        tmp_path / "a.zip", [(ABOUT, about()), (packed("records/piece.0000.jsonl"), b"0" * 50_000_000)]
    )
    assert path.stat().st_size < 100_000
    with pytest.raises(ArchiveRefused, match="packed"):
        Archive(path)


def test_members_that_overlap_are_refused(tmp_path: Path) -> None:
    """Several directory entries on one stretch of bytes: the other way to make a small file swell."""
    data = bytearray(write(tmp_path / "a.zip").read_bytes())
    start = data.rfind(b"PK\x01\x02", 0, data.rfind(b"PK\x01\x02"))
    entry = bytes(data[start : data.rfind(b"PK\x01\x02")])
    many = b"".join(entry.replace(PHOTO_NAME.encode(), f"photos/{k:064x}.jpg".encode()) for k in range(4))
    end = data.rfind(b"PK\x05\x06")
    last = bytes(data[data.rfind(b"PK\x01\x02") : end])
    first = data.find(b"PK\x01\x02")
    directory = bytes(data[first:start]) + entry + many + last
    tail = bytearray(data[end:])
    count = (3 + 1 + 4).to_bytes(2, "little")
    tail[8:10] = tail[10:12] = count
    tail[12:16] = len(directory).to_bytes(4, "little")
    (tmp_path / "b.zip").write_bytes(bytes(data[:first]) + directory + bytes(tail))
    with pytest.raises(ArchiveRefused, match=r"more than it holds|differ"):
        Archive(tmp_path / "b.zip")


def test_a_newer_archive_is_refused_with_the_way_out(tmp_path: Path) -> None:
    path = forge(tmp_path / "a.zip", [(ABOUT, about(VERSION + 1))])
    with pytest.raises(ArchiveRefused, match="update rimlight"):
        Archive(path)


@pytest.mark.parametrize("content", [b"", b"not a zip", b"[]", b"{}", b'{"format":"rimlight archive"}'])
def test_something_else_is_refused(tmp_path: Path, content: bytes) -> None:
    plain = tmp_path / "plain"
    plain.write_bytes(content)
    with pytest.raises(ArchiveRefused):
        Archive(plain)
    with pytest.raises(ArchiveRefused):
        Archive(forge(tmp_path / "zipped.zip", [(ABOUT, content)]))


def test_lines_that_are_no_records_are_refused(tmp_path: Path) -> None:
    for content in (b"{]\n", b"[1]\n"):
        path = forge(tmp_path / "a.zip", [(ABOUT, about()), ("records/piece.0000.jsonl", content)])
        with pytest.raises(ArchiveRefused, match="line 1"), Archive(path) as archive:
            list(archive.rows("piece"))


def test_a_writer_refuses_names_and_repeats(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no member"), ArchiveWriter(tmp_path / "a.zip") as archive:
        archive.add("../x", b"")
    with pytest.raises(ValueError, match="already"), ArchiveWriter(tmp_path / "a.zip") as archive:
        archive.add(ABOUT, about())
        archive.add(ABOUT, about())


def test_an_archive_that_cannot_be_put_in_its_place_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "taken").mkdir()
    with pytest.raises(OSError, match="directory"), ArchiveWriter(tmp_path / "taken") as archive:
        archive.add("about.json", b"{}")
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]
