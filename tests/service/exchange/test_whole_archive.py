"""Everything out and in again, byte for byte; what is private stays at home; nothing half-done.

Invented data. The archive is read back here with Python's own zip and JSON readers, not with the product's.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import items, ledger
from service.exchange.archive import ABOUT, Archive, ArchiveRefused, ArchiveWriter
from service.exchange.whole import export_everything, import_everything
from service.kept import Crop, NewReading
from service.register.draft import Draft
from service.register.listed import Motif
from service.register.records import Decoration, Evidence, Piece, PiecePhoto, Private
from service.store import Store, open_store

SECRETS = ("SECRET-PRICE-42", "SECRET-SELLER", "SECRET-CELLAR", "SECRET-SHELF")


def quiet(steps, _total: int, _what: str):
    return steps


def fill(store: Store, pieces: int = 4) -> None:
    """Photos, labels, pieces with private fields, one correction, one removal, one undo."""
    for number in range(pieces):
        facts = {
            "id": f"reading{number}",
            "photo": {"width": 4, "height": 3, "sha256": f"{number:064x}", "taken_at": None},
        }
        crop = Crop((0.1, 1.0, 2.0, 3.3), 0.25, True, 0.7, bytes([number, 255]) * 8)
        new = NewReading(facts, 10, b"photo %d" % number, "jpg", b"strip %d" % number, "r1", (crop, crop))
        files = store.keep_files(new)
        with store.writing() as tx:
            store.insert_reading(tx, new, files)
            item_id = items.insert_item(
                tx, facts["id"], "Tidewrack", {"metal": "gold", "note": "ß, \u2028"}, None
            )
            motif_id = items.find_motif(tx, "Tidewrack")
            ledger.log_change(tx, "test", "add", item_id, None)
            draft = Draft(tx, "test")
            private = Private(price=SECRETS[0], seller=SECRETS[1], place=SECRETS[2])
            photo = (PiecePhoto(facts["id"]),)
            piece = Piece(
                f"p{number}", f"N{number}", "dinner plate", photos=photo, private=private, kept_at=SECRETS[3]
            )
            draft.put(Motif(motif_id, "Tidewrack"))
            draft.put(piece)
            draft.put(Decoration(f"d{number}", piece.id, motif_id=motif_id, metal="gold", number="OS-114"))
            draft.put(Evidence(f"e{number}", "piece", piece.id, "mark", "its mark", date="1932/1937"))
            draft.finish("add")
    with store.writing() as tx:
        draft = Draft(tx, "test")
        draft.drop("d0")
        draft.finish("remove")
    with store.writing() as tx:
        ledger.undo(tx, None, "test")


@pytest.fixture()
def filled(tmp_path: Path) -> Iterator[Store]:
    store = open_store(tmp_path / "filled")
    fill(store)
    yield store
    store.close()


def test_what_goes_out_comes_in_and_goes_out_as_the_same_bytes(filled: Store, tmp_path: Path) -> None:
    about = export_everything(filled, tmp_path / "one.zip", quiet)
    assert about["rows"]["register_record"] == 13
    assert about["photos"] == about["strips"] == 4
    other = open_store(tmp_path / "other")
    try:
        with Archive(tmp_path / "one.zip") as archive:
            put = import_everything(other, archive, quiet)
        assert put == about["rows"]
        export_everything(other, tmp_path / "two.zip", quiet)
        with other.looking() as tx:
            found = tx.exec_driver_sql("SELECT count(*) FROM register_sighting").scalar()
    finally:
        other.close()
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    assert found == 4, "what is drawn out of the records is drawn again"


def test_undo_still_works_in_the_folder_that_everything_came_into(filled: Store, tmp_path: Path) -> None:
    export_everything(filled, tmp_path / "one.zip", quiet)
    other = open_store(tmp_path / "other")
    with Archive(tmp_path / "one.zip") as archive:
        import_everything(other, archive, quiet)
    with other.writing() as tx:
        undone = ledger.undo(tx, None, "test")
    other.close()
    assert undone["undone"]["action"] == "register add"


def test_a_folder_that_was_started_empty_takes_an_archive_and_its_log_stays_guarded(
    filled: Store, tmp_path: Path
) -> None:
    import sqlalchemy as sa

    export_everything(filled, tmp_path / "one.zip", quiet)
    other = open_store(tmp_path / "other")
    with other.writing() as tx:
        ledger.log_change(tx, "test", "start", None, None)
        other.set_folder_fact(tx, "gallery started", "empty")
    with Archive(tmp_path / "one.zip") as archive:
        import_everything(other, archive, quiet)
    export_everything(other, tmp_path / "two.zip", quiet)
    with pytest.raises(sa.exc.IntegrityError, match="append only"), other.writing() as tx:
        tx.exec_driver_sql("DELETE FROM change")
    other.close()
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()


def test_plain_tools_can_read_it(filled: Store, tmp_path: Path) -> None:
    export_everything(filled, tmp_path / "one.zip", quiet)
    with zipfile.ZipFile(tmp_path / "one.zip") as plain:
        rows = [json.loads(line) for line in plain.read("records/register_record.0000.jsonl").splitlines()]
    pieces = [json.loads(row["body"]) for row in rows if row["kind"] == "piece"]
    assert sorted(piece["number"] for piece in pieces) == ["N0", "N1", "N2", "N3"]


def test_no_byte_of_a_shared_archive_tells_what_is_private(filled: Store, tmp_path: Path) -> None:
    export_everything(filled, tmp_path / "all.zip", quiet)
    export_everything(filled, tmp_path / "shared.zip", quiet, shared=True)
    whole, shared = (tmp_path / "all.zip").read_bytes(), (tmp_path / "shared.zip").read_bytes()
    for secret in SECRETS:
        assert secret.encode() in whole, "the own archive keeps everything"
        assert secret.encode() not in shared
    with Archive(tmp_path / "shared.zip") as archive:
        names = {name.split(".")[0] for name in archive.verify()}
        kept = list(archive.rows("register_record"))
    assert "records/change" not in names
    assert len(kept) == 13


def test_a_shared_archive_leaves_out_what_was_removed_and_photos_never_confirmed(
    filled: Store, tmp_path: Path
) -> None:
    facts = {"id": "loose", "photo": {"width": 4, "height": 3, "sha256": "f" * 64, "taken_at": None}}
    new = NewReading(facts, 10, b"a loose photo", "jpg", None, "r1", ())
    files = filled.keep_files(new)
    with filled.writing() as tx:
        filled.insert_reading(tx, new, files)
        draft = Draft(tx, "test")
        draft.drop("e1")
        draft.finish("remove")
    export_everything(filled, tmp_path / "shared.zip", quiet, shared=True)
    with Archive(tmp_path / "shared.zip") as archive:
        assert {row["id"] for row in archive.rows("reading")} == {f"reading{n}" for n in range(4)}
        assert "e1" not in {row["id"] for row in archive.rows("register_record")}
        assert f"photos/{files[0]}" not in archive.names


def test_an_archive_does_not_go_into_a_folder_in_use(filled: Store, tmp_path: Path) -> None:
    export_everything(filled, tmp_path / "one.zip", quiet)
    before = (tmp_path / "one.zip").read_bytes()
    with Archive(tmp_path / "one.zip") as archive, pytest.raises(ArchiveRefused, match="rimlight merge"):
        import_everything(filled, archive, quiet)
    export_everything(filled, tmp_path / "two.zip", quiet)
    assert (tmp_path / "two.zip").read_bytes() == before


def rewrite(path: Path, out: Path, change) -> Path:
    """The same archive with right checksums after a change of its members."""
    with zipfile.ZipFile(path) as plain:
        members = {name: plain.read(name) for name in plain.namelist() if not name.startswith("checksums")}
    with ArchiveWriter(out) as archive:
        for name, data in change(dict(members)).items():
            archive.add(name, data)
    return out


def newer_tables(members: dict[str, bytes]) -> dict[str, bytes]:
    about = json.loads(members[ABOUT]) | {"schema": 10_000}
    return members | {ABOUT: json.dumps(about).encode()}


def lost_photo(members: dict[str, bytes]) -> dict[str, bytes]:
    lost = next(name for name in members if name.startswith("photos/"))
    return {name: data for name, data in members.items() if name != lost}


def in_table(name: str, old: bytes, new: bytes):
    def change(members: dict[str, bytes]) -> dict[str, bytes]:
        member = f"records/{name}.0000.jsonl"
        assert old in members[member]
        return members | {member: members[member].replace(old, new, 1)}

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (newer_tables, "update rimlight"),
        (lost_photo, "not in it"),
        (in_table("gallery_item", b'"motif_id":"tidewrack"', b'"motif_id":"nowhere"'), "FOREIGN KEY"),
        (in_table("gallery_item", b'"matchable":true', b'"matchable":7'), "matchable"),
        (in_table("motif", b'"key":', b'"colour":1,"key":'), "no column"),
        (in_table("photo", b'"width":4', b'"width":null'), "missing"),
        (in_table("reading", b'"id":"reading0"', b'"id":"reading9"'), "own facts"),
        (in_table("register_record", b'\\"number\\":\\"N0\\"', b'\\"number\\":7'), "expected a text"),
        (
            in_table("register_record", b"1932/1937", b'1932/1937",\\"x\\":\\"'),
            "not|unknown|no JSON|Expecting",
        ),
    ],
)
def test_content_that_does_not_fit_is_refused_and_changes_nothing(
    filled: Store, tmp_path: Path, change, said: str
) -> None:
    export_everything(filled, tmp_path / "one.zip", quiet)
    bad = rewrite(tmp_path / "one.zip", tmp_path / "bad.zip", change)
    other = open_store(tmp_path / "other")
    try:
        with Archive(bad) as archive, pytest.raises(ArchiveRefused, match=said):
            import_everything(other, archive, quiet)
        with other.looking() as tx:
            assert tx.exec_driver_sql("SELECT count(*) FROM photo").scalar() == 0
        with Archive(tmp_path / "one.zip") as archive:
            assert import_everything(other, archive, quiet)["photo"] == 4, "the folder can still be used"
    finally:
        other.close()


def test_a_missing_stored_photo_stops_the_export_and_leaves_no_file(filled: Store, tmp_path: Path) -> None:
    from service.errors import StoreError

    lost = next(p for p in (tmp_path / "filled" / "photos").glob("*/*") if p.is_file())
    lost.unlink()
    with pytest.raises(StoreError, match="rimlight check"):
        export_everything(filled, tmp_path / "one.zip", quiet)
    assert not (tmp_path / "one.zip").exists()
    assert not (tmp_path / "one.zip.part").exists()
