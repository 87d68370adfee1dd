"""Two galleries brought together: what is the same, what differs and what is nearly the same is listed.

Invented data throughout; vectors are drawn numbers, so which photos are nearly the same is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from service import items, ledger
from service.exchange.archive import Archive, ArchiveRefused
from service.exchange.merge import merge_archive, preview_merge, say_plan
from service.exchange.whole import export_everything
from service.kept import Crop, NewReading
from service.register.adding import put_new
from service.register.draft import Draft
from service.store import Store, open_store

OVERLAP, MINE_ONLY, THEIRS_ONLY, NEAR, TWIN = 20, 6, 5, 3, 1
DISAGREE = {
    2: ("metal", "platinum"),
    5: ("motif", "Marram"),
    8: ("variant", "filled"),
    11: ("line", "Corrick"),
    14: ("state", "worn"),
}
RNG_OF_MINE, RNG_OF_THEIRS = 5000, 9000


def quiet(steps, _total: int, _what: str):
    return steps


def vectors_of(seed: int, turn: float = 0.0) -> list[bytes]:
    """Four unit vectors; a little turned ones are those of nearly the same photo."""
    drawn = np.random.default_rng(seed).normal(size=(4, 128))
    drawn += turn * np.random.default_rng(seed + 77).normal(size=drawn.shape)
    unit = drawn / np.linalg.norm(drawn, axis=1, keepdims=True)
    return [row.astype("<f4").tobytes() for row in unit]


def picture(photo: int, seed: int, turn: float) -> bytes:
    """A photo of its own for every seed; with a turn, the same one smaller and saved again."""
    rng = np.random.default_rng(seed)
    drawn = cv2.resize(rng.integers(0, 256, (9, 12), np.uint8), (240, 180), interpolation=cv2.INTER_CUBIC)
    drawn[:4, :8] = photo % 256  # so that no two photos are the same bytes
    quality = 90
    if turn:
        drawn, quality = cv2.resize(drawn, (160, 120), interpolation=cv2.INTER_AREA), 60
    return cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()


def add(
    store: Store, name: str, photo: int, seed: int, turn: float = 0.0, like: int | None = None, **labels: str
) -> None:
    """A confirmed photo and the piece it shows.

    ``photo`` numbers the bytes, ``seed`` what is seen in it, ``like`` whose vectors it has.
    """
    facts = {
        "id": f"{name}-r{photo}",
        "photo": {"width": 4, "height": 3, "sha256": f"{photo:064x}", "taken_at": None},
    }
    vectors = vectors_of(seed if like is None else like, turn)
    crops = tuple(Crop((0.0, 0.0, 1.0, 1.0), 0.0, False, 1.0, numbers) for numbers in vectors)
    new = NewReading(facts, 10, picture(photo, seed, turn), "jpg", None, "recipe", crops)
    files = store.keep_files(new)
    given = {
        "motif": "Tidewrack",
        "metal": "gold",
        "variant": "open",
        "line": "Osmer",
        "state": "sound",
    } | labels
    with store.writing() as tx:
        store.insert_reading(tx, new, files)
        others = {key: value for key, value in given.items() if key != "motif"}
        item = items.insert_item(tx, facts["id"], given["motif"], others, None)
        ledger.log_change(tx, name, "add", item, None)
        draft = Draft(tx, name)
        seen = {"motif": given["motif"]}
        piece = {
            "number": f"{name}{photo}",
            "piece_kind": "plate",
            "photos": [{"reading_id": facts["id"]}],
            "decorations": [seen],
        }
        put_new(draft, "piece", piece, new_names=True)
        draft.finish("add piece")


@pytest.fixture()
def mine(tmp_path: Path) -> Iterator[Store]:
    store = open_store(tmp_path / "mine")
    for number in range(OVERLAP):
        add(store, "a", number, number)
    for number in range(MINE_ONLY):
        add(store, "a", 100 + number, RNG_OF_MINE + number, motif="Pip Row")
    yield store
    store.close()


@pytest.fixture()
def theirs(tmp_path: Path) -> Path:
    store = open_store(tmp_path / "theirs")
    for number in range(OVERLAP):
        labels = dict([DISAGREE[number]]) if number in DISAGREE else {}
        add(store, "b", number, number, **labels)
    for number in range(THEIRS_ONLY):
        add(store, "b", 200 + number, RNG_OF_THEIRS + number, motif="Quern Leaf")
    for number in range(NEAR):
        add(store, "b", 300 + number, RNG_OF_MINE + number, turn=0.1, motif="Dot Row")
    # The same motif on another piece: vectors as near as of the same photo, another picture.
    add(store, "b", 400, 77_000, motif="Pip Row", like=RNG_OF_MINE)
    export_everything(store, tmp_path / "theirs.zip", quiet, shared=True)
    store.close()
    return tmp_path / "theirs.zip"


def everything_in(store: Store, path: Path) -> bytes:
    export_everything(store, path, quiet)
    return path.read_bytes()


def test_the_plan_lists_exactly_what_overlaps_differs_and_is_nearly_the_same(
    mine: Store, theirs: Path
) -> None:
    with Archive(theirs) as archive:
        plan = preview_merge(mine, archive, quiet)
    assert plan.same_photos == OVERLAP
    assert len(plan.same_pieces) == OVERLAP
    assert len(plan.new_photos) == THEIRS_ONLY + NEAR + TWIN
    labels = [d for d in plan.disagreements if d.what.startswith("photo ")]
    assert {(d.what, d.name, d.theirs) for d in labels} == {
        (f"photo a-r{number}", name, value) for number, (name, value) in DISAGREE.items()
    }
    assert [d.name for d in plan.disagreements if d not in labels] == ["motif"], (
        "the decoration of that piece"
    )
    assert sorted((p.mine, p.theirs) for p in plan.near) == [
        (f"a-r{100 + number}", f"b-r{300 + number}") for number in range(NEAR)
    ]
    assert ("Dot Row", "Pip Row", NEAR) in {(a.theirs, a.mine, a.photos) for a in plan.aliases}
    assert any("Perhaps one motif: 'Dot Row'" in line for line in say_plan(plan))


def test_a_preview_changes_nothing(mine: Store, theirs: Path, tmp_path: Path) -> None:
    before = everything_in(mine, tmp_path / "before.zip")
    with Archive(theirs) as archive:
        preview_merge(mine, archive, quiet)
    assert everything_in(mine, tmp_path / "after.zip") == before


def test_what_is_new_comes_in_what_is_here_stays_and_one_undo_takes_it_back(
    mine: Store, theirs: Path
) -> None:
    with mine.looking() as tx:
        before = items.count_gallery(tx)
    with Archive(theirs) as archive:
        plan, change = merge_archive(mine, archive, "test", quiet)
        again, nothing = merge_archive(mine, archive, "test", quiet)
    assert (again.brings_nothing, nothing) == (True, None), "a second merge brings nothing"
    with mine.looking() as tx:
        after = items.count_gallery(tx)
        kept = items.find_item_of_reading(tx, "a-r2")
        pieces = tx.exec_driver_sql(
            "SELECT count(*) FROM register_record WHERE kind = 'piece' AND removed_at IS NULL"
        ).scalar()
    assert after["items"] == before["items"] + THEIRS_ONLY + NEAR + TWIN
    assert kept is not None
    assert kept._mapping["metal"] == "gold", "the own label stays"
    assert pieces == OVERLAP + MINE_ONLY + THEIRS_ONLY + NEAR + TWIN
    with mine.writing() as tx:
        ledger.undo(tx, change, "test")
    with mine.looking() as tx:
        assert items.count_gallery(tx) == before
        pieces = tx.exec_driver_sql(
            "SELECT count(*) FROM register_record WHERE kind = 'piece' AND removed_at IS NULL"
        ).scalar()
    assert pieces == OVERLAP + MINE_ONLY
    assert len(plan.new_items) == THEIRS_ONLY + NEAR + TWIN


def test_the_vectors_that_came_in_are_looked_up(mine: Store, theirs: Path) -> None:
    with Archive(theirs) as archive:
        merge_archive(mine, archive, "test", quiet)
    with mine.looking() as tx:
        packed = items.pack_gallery(tx, "recipe")
    assert {motif for _, _, motif, _ in packed.items} >= {"Quern Leaf", "Dot Row"}
    assert len(packed.numbers) == 4 * 128 * 4 * (OVERLAP + MINE_ONLY + THEIRS_ONLY + NEAR + TWIN)


def test_a_merge_into_an_empty_gallery_is_an_import_byte_for_byte(mine: Store, tmp_path: Path) -> None:
    whole = everything_in(mine, tmp_path / "whole.zip")
    empty = open_store(tmp_path / "empty")
    with Archive(tmp_path / "whole.zip") as archive:
        assert merge_archive(empty, archive, "test", quiet)[1] is None
    assert everything_in(empty, tmp_path / "again.zip") == whole
    empty.close()


def test_two_pieces_of_one_number_both_stay(mine: Store, tmp_path: Path) -> None:
    other = open_store(tmp_path / "other")
    add(other, "a", 100, 40_000)
    add(other, "a", 105, 40_001)
    export_everything(other, tmp_path / "other.zip", quiet)
    other.close()
    fresh = open_store(tmp_path / "third")
    add(fresh, "c", 7, 50_000)
    with fresh.writing() as tx:
        draft = Draft(tx, "test")
        put_new(draft, "piece", {"number": "a105", "piece_kind": "cup"}, new_names=False)
        draft.finish("add piece")
    with Archive(tmp_path / "other.zip") as archive:
        plan, _ = merge_archive(fresh, archive, "test", quiet)
    assert plan.renumbered == {"a105": "a105 (2)"}
    fresh.close()


def test_an_undo_after_a_later_change_to_what_came_is_refused(mine: Store, theirs: Path) -> None:
    from service.errors import NothingToUndo

    with Archive(theirs) as archive:
        plan, change = merge_archive(mine, archive, "test", quiet)
    item_id = plan.new_items[0]["id"]
    with mine.writing() as tx:
        before = items.snapshot(items.find_item(tx, item_id))
        items.update_item(tx, item_id, metal="platinum")
        ledger.log_change(tx, "test", "correct", item_id, before)
    with pytest.raises(NothingToUndo, match="later change first"), mine.writing() as tx:
        ledger.undo(tx, change, "test")


def test_a_damaged_archive_changes_nothing(mine: Store, theirs: Path, tmp_path: Path) -> None:
    before = everything_in(mine, tmp_path / "before.zip")
    data = bytearray(theirs.read_bytes())
    data[data.find(b"\xff\xd8\xff") + 300] ^= 1
    (tmp_path / "bad.zip").write_bytes(data)
    with Archive(tmp_path / "bad.zip") as archive, pytest.raises(ArchiveRefused):
        merge_archive(mine, archive, "test", quiet)
    assert everything_in(mine, tmp_path / "after.zip") == before
