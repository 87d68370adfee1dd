"""What a merge does with records that point at each other, with what was removed here, and undone and redone.

Invented data throughout.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service import items, ledger
from service.check_rows import check_log
from service.exchange.archive import Archive, ArchiveRefused, ArchiveWriter
from service.exchange.merge import merge_archive, preview_merge
from service.exchange.whole import export_everything
from service.kept import NewReading
from service.register.draft import Draft
from service.register.forms import read_record
from service.register.shelf import list_records
from service.store import STARTED, Store, open_store

Put = tuple[str, str, dict[str, Any]]


def quiet(steps, _total: int, _what: str):
    return steps


def read_photo(store: Store, reading_id: str, photo: int, **labels: str) -> None:
    """A photo, confirmed where it has labels."""
    facts = {
        "id": reading_id,
        "photo": {"width": 4, "height": 3, "sha256": f"{photo:064x}", "taken_at": None},
    }
    new = NewReading(facts, 10, b"photo %d" % photo, "jpg", None, "recipe", ())
    files = store.keep_files(new)
    with store.writing() as tx:
        store.insert_reading(tx, new, files)
        if labels:
            others = {name: value for name, value in labels.items() if name != "motif"}
            item = items.insert_item(tx, reading_id, labels["motif"], others, None)
            ledger.log_change(tx, "test", "add", item, None)


def put(store: Store, *records: Put) -> None:
    with store.writing() as tx:
        draft = Draft(tx, "test")
        for kind, record_id, body in records:
            draft.put(read_record(kind, record_id, body))
        draft.finish("add")


def remove(store: Store, *ids: str) -> None:
    with store.writing() as tx:
        draft = Draft(tx, "test")
        for record_id in ids:
            draft.drop(record_id)
        draft.finish("remove")


def present(store: Store, kind: str) -> dict[str, Any]:
    with store.looking() as tx:
        return {record.id: record for record in list_records(tx, kind, 0, 1000)[0]}


def merge(store: Store, other: Store, shared: bool = False):
    path = other.folder.with_suffix(".zip")
    export_everything(other, path, quiet, shared)
    with Archive(path) as archive:
        return merge_archive(store, archive, "test", quiet)


@pytest.fixture()
def mine(tmp_path: Path) -> Iterator[Store]:
    store = open_store(tmp_path / "mine")
    put(store, ("maker", "m-my", {"name": "Velderby Works"}))
    yield store
    store.close()


@pytest.fixture()
def theirs(tmp_path: Path) -> Iterator[Store]:
    store = open_store(tmp_path / "theirs")
    yield store
    store.close()


def test_a_line_is_known_by_its_maker_whatever_their_ids(mine: Store, theirs: Store) -> None:
    put(mine, ("line", "l-my", {"name": "Osmer", "maker_id": "m-my"}))
    put(
        theirs,
        ("line", "a-line", {"name": "Osmer", "maker_id": "z-maker"}),
        ("maker", "z-maker", {"name": "Velderby Works"}),
        (
            "piece",
            "p-their",
            {"number": "7", "piece_kind": "cup", "maker_id": "z-maker", "line_id": "a-line"},
        ),
    )
    merge(mine, theirs)
    assert list(present(mine, "line")) == ["l-my"]
    assert present(mine, "piece")["p-their"].line_id == "l-my"


def test_pieces_that_go_together_still_do_in_whatever_order_they_come(mine: Store, theirs: Store) -> None:
    read_photo(mine, "r-my", 1, motif="Marram")
    read_photo(theirs, "r-their", 1, motif="Marram")
    put(mine, ("piece", "p-my", {"number": "1", "piece_kind": "cup", "photos": [{"reading_id": "r-my"}]}))
    put(
        theirs,
        ("piece", "z-cup", {"number": "1", "piece_kind": "cup", "photos": [{"reading_id": "r-their"}]}),
        ("piece", "a-saucer", {"number": "2", "piece_kind": "saucer", "goes_with": ["z-cup"]}),
    )
    merge(mine, theirs)
    assert present(mine, "piece")["a-saucer"].goes_with == ("p-my",)


def test_two_of_their_pieces_that_are_one_here_are_not_kept_apart_from_itself(
    mine: Store, theirs: Store
) -> None:
    for store, name in ((mine, "my"), (theirs, "their")):
        for photo in (1, 2):
            read_photo(store, f"r-{name}-{photo}", photo, motif="Marram")
    both = [{"reading_id": "r-my-1"}, {"reading_id": "r-my-2"}]
    put(mine, ("piece", "p-my", {"number": "1", "piece_kind": "cup", "photos": both}))
    put(
        theirs,
        *(
            (
                "piece",
                f"p-{n}",
                {"number": f"T{n}", "piece_kind": "cup", "photos": [{"reading_id": f"r-their-{n}"}]},
            )
            for n in (1, 2)
        ),
        ("piece", "a-other", {"number": "T3", "piece_kind": "cup"}),
        ("kept_apart", "k-12", {"one": "p-1", "other": "p-2"}),
        ("kept_apart", "k-13", {"one": "a-other", "other": "p-1"}),
        ("kept_apart", "k-23", {"one": "a-other", "other": "p-2"}),
    )
    merge(mine, theirs)
    apart = [(record.one, record.other) for record in present(mine, "kept_apart").values()]
    assert apart == [("a-other", "p-my")]
    _, change = merge(mine, theirs)
    assert change is None, "and a second merge brings nothing"


def test_two_refused_merges_are_sorted_by_the_ids_of_this_store(mine: Store, theirs: Store) -> None:
    read_photo(mine, "r-my", 1, motif="Marram")
    read_photo(theirs, "r-their", 1, motif="Marram")
    put(mine, ("piece", "z-my", {"number": "1", "piece_kind": "cup", "photos": [{"reading_id": "r-my"}]}))
    put(
        theirs,
        ("piece", "a-their", {"number": "1", "piece_kind": "cup", "photos": [{"reading_id": "r-their"}]}),
        ("piece", "b-their", {"number": "2", "piece_kind": "cup"}),
        ("kept_apart", "k", {"one": "a-their", "other": "b-their"}),
    )
    merge(mine, theirs)
    kept = present(mine, "kept_apart")["k"]
    assert (kept.one, kept.other) == ("b-their", "z-my")


def test_an_opinion_rests_on_the_same_evidence_here(mine: Store, theirs: Store) -> None:
    read_photo(mine, "r-my", 1, motif="Marram")
    read_photo(theirs, "r-their", 1, motif="Marram")
    for store, name, evidence in ((mine, "my", "z-my"), (theirs, "their", "z-their")):
        photos = [{"reading_id": f"r-{name}"}]
        said = {
            "about_kind": "piece",
            "about_id": f"p-{name}",
            "kind": "told",
            "citation": "a letter, invented",
        }
        put(
            store,
            ("piece", f"p-{name}", {"number": "1", "piece_kind": "cup", "photos": photos}),
            ("evidence", evidence, said),
        )
    thought = {"about_kind": "piece", "about_id": "p-their", "what": "early", "who": "a friend"}
    put(theirs, ("opinion", "a-said", thought | {"when": "2026", "evidence_ids": ["z-their"]}))
    merge(mine, theirs)
    assert list(present(mine, "evidence")) == ["z-my"]
    assert present(mine, "opinion")["a-said"].evidence_ids == ("z-my",)


def test_a_name_that_is_an_alias_here_is_the_same_motif(mine: Store, theirs: Store) -> None:
    with mine.writing() as tx:
        motif_id = items.find_motif(tx, "Quern Leaf")
    with theirs.writing() as tx:
        other_id = items.find_motif(tx, "Millstone Leaf")
    put(mine, ("motif", motif_id, {"name": "Quern Leaf", "aliases": ["Millstone Leaf"]}))
    read_photo(theirs, "r-their", 1, motif="Millstone Leaf")
    put(
        theirs,
        ("motif", other_id, {"name": "Millstone Leaf"}),
        ("piece", "p-their", {"number": "1", "piece_kind": "cup"}),
        ("decoration", "d-their", {"piece_id": "p-their", "motif_id": other_id}),
    )
    merge(mine, theirs)
    assert present(mine, "decoration")["d-their"].motif_id == motif_id
    with mine.looking() as tx:
        row = items.find_item_of_reading(tx, "r-their")
    assert row is not None
    assert row._mapping["motif_id"] == motif_id


def test_a_motif_that_only_the_gallery_knows_here_keeps_its_id(mine: Store, theirs: Store) -> None:
    with mine.writing() as tx:
        tx.exec_driver_sql("INSERT INTO motif VALUES ('my-own-id', 'Marram', 'marram', '2026-01-01')")
    with theirs.writing() as tx:
        other_id = items.find_motif(tx, "Marram")
    put(
        theirs,
        ("motif", other_id, {"name": "Marram"}),
        ("piece", "p-their", {"number": "1", "piece_kind": "cup"}),
        ("decoration", "d-their", {"piece_id": "p-their", "motif_id": other_id}),
    )
    merge(mine, theirs)
    assert list(present(mine, "motif")) == ["my-own-id"]
    assert present(mine, "decoration")["d-their"].motif_id == "my-own-id"


def test_a_photo_that_they_confirmed_twice_comes_in_once(mine: Store, theirs: Store) -> None:
    read_photo(mine, "r-my", 1)
    read_photo(theirs, "r-1", 1, motif="Marram")
    read_photo(theirs, "r-2", 1, motif="Marram", metal="gold")
    read_photo(theirs, "r-3", 1, motif="Marram", metal="platinum")
    plan, _ = merge(mine, theirs)
    assert len(plan.new_items) == 1
    with mine.looking() as tx:
        assert items.count_gallery(tx)["items"] == 1


def test_what_was_removed_here_comes_in_again_and_an_undo_removes_it_again(
    mine: Store, theirs: Store
) -> None:
    read_photo(mine, "r-my", 1, motif="Marram", metal="gold")
    read_photo(theirs, "r-their", 1, motif="Marram", metal="platinum")
    with mine.writing() as tx:
        row = items.find_item_of_reading(tx, "r-my")
        assert row is not None
        item_id, before = row._mapping["id"], items.snapshot(row)
        items.update_item(tx, item_id, removed_at="2026-01-01")
        deleted = ledger.log_change(tx, "test", "delete", item_id, before)
    put(theirs, ("piece", "p-their", {"number": "1", "piece_kind": "cup"}))
    merge(mine, theirs)
    remove(mine, "p-their")
    put(theirs, ("decoration", "d-their", {"piece_id": "p-their", "decal": "none"}))
    _, change = merge(mine, theirs)
    assert list(present(mine, "piece")) == ["p-their"]
    assert list(present(mine, "decoration")) == ["d-their"]
    with mine.writing() as tx:
        ledger.undo(tx, change, "test")
    assert present(mine, "piece") == present(mine, "decoration") == {}
    with mine.looking() as tx:
        row = items.find_item(tx, item_id)
        assert row is not None
        assert (row._mapping["metal"], row._mapping["removed_at"]) == ("platinum", None)
    with mine.writing() as tx:
        ledger.undo(tx, None, "test")  # the removal
        ledger.undo(tx, None, "test")  # the first merge
        ledger.undo(tx, deleted, "test")
        assert items.snapshot(items.find_item(tx, item_id)) == before


def test_an_undone_merge_can_be_done_again_and_the_gallery_looks_anew_each_time(
    mine: Store, theirs: Store
) -> None:
    read_photo(theirs, "r-their", 1, motif="Marram")
    put(theirs, ("piece", "p-their", {"number": "1", "piece_kind": "cup"}))
    counts, versions = [], []

    def look() -> None:
        with mine.looking() as tx:
            counts.append(items.count_gallery(tx)["items"])
            versions.append(items.gallery_version(tx))

    look()
    _, change = merge(mine, theirs)
    look()
    with mine.writing() as tx:
        undone = ledger.undo(tx, change, "test")["change"]
    look()
    with mine.writing() as tx:
        ledger.undo(tx, undone, "test")
    look()
    with mine.writing() as tx:
        ledger.undo(tx, None, "test")
    look()
    merge(mine, theirs)
    look()
    assert counts == [0, 1, 0, 1, 0, 1]
    assert versions == sorted(set(versions)), "every one makes the look-up load the gallery again"


def rewrite(path: Path, change) -> Path:
    """The archive with other rows, its checksums right again."""
    with Archive(path) as archive, ArchiveWriter(path.with_suffix(".odd.zip")) as odd:
        for name in archive.names:
            data = change(name, archive.read(name))
            if data is not None:
                odd.add(name, data)
    return path.with_suffix(".odd.zip")


@pytest.mark.parametrize(
    "change",
    [
        lambda n, d: None if n.startswith("photos/") else d,
        lambda n, d: b'{"id": "x"}\n' if n.startswith("records/reading.") else d,
        lambda n, d: b'{"id": "x"}\n' if n.startswith("records/register_record.") else d,
        lambda n, d: b"[" * 200_000 + b"\n" if n.startswith("records/motif.") else d,
        lambda n, d: (
            json.dumps(json.loads(d) | {"facts": "[]"}).encode() if n.startswith("records/reading.") else d
        ),
        lambda n, d: (
            json.dumps(json.loads(d) | {"body": "[]"}).encode() if n.startswith("records/register_rec") else d
        ),
        lambda n, d: (
            json.dumps(json.loads(d) | {"width": 10**30}).encode() if n.startswith("records/photo.") else d
        ),
    ],
    ids=["no photo", "reading", "record", "deep", "facts", "body", "huge number"],
)
def test_odd_rows_under_right_checksums_are_refused_in_words(mine: Store, theirs: Store, change) -> None:
    read_photo(theirs, "r-their", 1, motif="Marram")
    put(theirs, ("piece", "p-their", {"number": "1", "piece_kind": "cup"}))
    path = theirs.folder.with_suffix(".zip")
    export_everything(theirs, path, quiet)
    with Archive(rewrite(path, change)) as archive:
        with pytest.raises(ArchiveRefused):
            merge_archive(mine, archive, "test", quiet)
        empty = open_store(mine.folder.with_name("empty"))
        with pytest.raises(ArchiveRefused):
            merge_archive(empty, archive, "test", quiet)
        empty.close()
        with pytest.raises(ArchiveRefused):
            preview_merge(mine, archive, quiet)
    assert list(present(mine, "piece")) == []


def test_the_check_finds_the_log_right_after_a_merge_its_undo_and_its_return(
    mine: Store, theirs: Store
) -> None:
    read_photo(mine, "r-my", 1, motif="Marram", metal="gold")
    read_photo(theirs, "r-their", 1, motif="Marram", metal="platinum")
    with mine.writing() as tx:
        row = items.find_item_of_reading(tx, "r-my")
        assert row is not None
        item_id, before = row._mapping["id"], items.snapshot(row)
        items.update_item(tx, item_id, removed_at="2026-01-01")
        ledger.log_change(tx, "test", "delete", item_id, before)
    _, change = merge(mine, theirs)
    for _ in range(2):
        assert check_log(mine)[1] == []
        with mine.writing() as tx:
            change = ledger.undo(tx, change, "test")["change"]
    with mine.writing() as tx:
        items.update_item(tx, item_id, metal="gold")
    assert [found.kind for found in check_log(mine)[1]] == ["item and log disagree"], "and wrong if it is"


def test_no_demo_gallery_joins_a_shared_archive_that_came_into_an_empty_folder(
    mine: Store, theirs: Store
) -> None:
    read_photo(theirs, "r-their", 1, motif="Marram")
    empty = open_store(mine.folder.with_name("empty"))
    merge(empty, theirs, shared=True)
    with empty.looking() as tx:
        assert empty.folder_fact(tx, STARTED) == "empty"
    empty.close()
