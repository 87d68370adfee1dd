"""Do I own this already? Answered from the vectors of rendered photos, and asked before a piece is made.

The photos are those of the demo gallery, read when the package was built: rendered, not real.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from service import items, ledger
from service.demo_gallery import DEMO_FOLDER, load_prepared, read_demo_labels
from service.errors import NothingToUndo, RecordConflict, RecordError
from service.register.proposals import SAME_PIECE
from service.register.register_actions import Register
from service.store import Store, open_store

ASKED = 10


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, Register, dict[str, list[str]]]]:
    """A store with every demo photo read and confirmed, and the readings of each motif in order."""
    store = open_store(tmp_path_factory.mktemp("owned") / "data")
    prepared, labels = load_prepared(DEMO_FOLDER / "vectors.npz"), read_demo_labels()
    readings: dict[str, list[str]] = {}
    with store.writing() as tx:
        for name in sorted(prepared):
            new = prepared[name]
            store.insert_reading(tx, new, (f"{new.facts['photo']['sha256']}.jpg", None))
            items.insert_item(tx, new.facts["id"], labels[name].motif, labels[name].others(), None)
            if new.crops:
                readings.setdefault(labels[name].motif, []).append(new.facts["id"])
    yield store, Register(store, "test"), readings
    store.close()


def register(desk: Register, reading: str, **more: Any) -> dict[str, Any]:
    answer = desk.find_owned(reading)["answer"]
    return desk.register_reading(reading, {"answer": answer, "new_names": True, **more})


def undo_all(store: Store) -> None:
    for _ in range(500):
        try:
            with store.writing() as tx:
                ledger.undo(tx, None, "test")
        except NothingToUndo:
            return


@pytest.fixture()
def desk(shelf: tuple[Store, Register, dict[str, list[str]]]) -> Iterator[Register]:
    yield shelf[1]
    undo_all(shelf[0])


def test_ten_owned_and_ten_not(desk: Register, shelf: tuple[Store, Register, dict[str, list[str]]]) -> None:
    """Every second photo of five motifs is registered; the others ask, and so do photos of other motifs.

    Measured with the weights of this writing: the right motif is shown for 10 of 10 owned and none of them
    is called unlikely; none of 10 strange ones is called likely. New weights may move one or two.
    """
    readings = shelf[2]
    motifs = sorted(readings, key=lambda motif: (-len(readings[motif]), motif))
    owned, others = motifs[: len(motifs) // 2], motifs[len(motifs) // 2 :]
    for motif in owned:
        for reading in readings[motif][::2]:
            register(desk, reading, piece={"piece_kind": "plate"})
    asked = [(motif, reading) for motif in owned for reading in readings[motif][1::2]][:ASKED]
    strange = [reading for motif in others for reading in readings[motif]][:ASKED]
    assert len(asked) == len(strange) == ASKED
    answers = [(motif, desk.find_owned(reading)) for motif, reading in asked]
    shown = [motif in {seen["motif"] for seen in list_seen(answer)} for motif, answer in answers]
    denied = [answer["verdict"] == "unlikely" for _, answer in answers]
    asserted = [desk.find_owned(reading)["verdict"].startswith("likely") for reading in strange]
    assert sum(shown) >= ASKED - 1, shown
    assert sum(denied) <= 2, denied
    assert sum(asserted) <= 1, asserted


def list_seen(answer: dict[str, Any]) -> list[dict[str, Any]]:
    return [seen for near in answer["candidates"] for seen in near["decorations"]]


def photos_of(shelf: tuple[Store, Register, dict[str, list[str]]]) -> list[str]:
    return shelf[2]["Sedge Swag"]


def test_an_empty_register_owns_nothing(
    desk: Register, shelf: tuple[Store, Register, dict[str, list[str]]]
) -> None:
    answer = desk.find_owned(photos_of(shelf)[0])
    assert answer["verdict"] == "unlikely"
    assert answer["candidates"] == []


def test_a_reading_becomes_a_piece_only_after_the_question_was_answered(
    desk: Register, shelf: tuple[Store, Register, dict[str, list[str]]]
) -> None:
    reading = photos_of(shelf)[0]
    for answer in (None, "0" * 16):
        with pytest.raises(RecordConflict, match="First ask"):
            desk.register_reading(reading, {"answer": answer})
    before = desk.find_owned(reading)["answer"]
    register(desk, photos_of(shelf)[1], piece={"piece_kind": "platter"})
    with pytest.raises(RecordConflict, match="First ask"):  # the register has changed since it was asked
        desk.register_reading(reading, {"answer": before})


def test_a_new_piece_takes_what_was_confirmed_and_the_next_number(
    desk: Register, shelf: tuple[Store, Register, dict[str, list[str]]]
) -> None:
    reading = photos_of(shelf)[0]
    made = register(desk, reading, decoration={"number": "OS-114"}, piece={"piece_kind": "platter"})
    piece = desk.show_record("piece", made["record"]["id"])
    assert piece["number"] == "1"
    assert piece["photos"][0]["reading_id"] == reading
    assert piece["decorations"][0]["motif"] == "Sedge Swag"
    assert piece["decorations"][0]["metal"] == items_label(shelf[0], reading, "metal")
    assert piece["decorations"][0]["number"] == "OS-114"
    again = register(desk, photos_of(shelf)[2], piece={"piece_kind": "cup"})
    assert again["record"]["number"] == "2"
    assert desk.find_owned(reading)["verdict"] == "registered"
    with pytest.raises(RecordConflict, match="belongs to a piece already"):
        register(desk, reading, piece={"piece_kind": "platter"})


def items_label(store: Store, reading: str, name: str) -> Any:
    with store.looking() as tx:
        row = items.find_item_of_reading(tx, reading)
    assert row is not None
    return row._mapping[name]


def test_a_photo_joins_a_piece_and_adds_no_double(
    desk: Register, shelf: tuple[Store, Register, dict[str, list[str]]]
) -> None:
    first, second = photos_of(shelf)[:2]
    made = register(desk, first, piece={"piece_kind": "platter", "number": "7"})
    joined = register(desk, second, joins="7")
    assert joined["record"]["id"] == made["record"]["id"]
    piece = desk.show_record("piece", "7")
    assert [photo["reading_id"] for photo in piece["photos"]] == [first, second]
    looks = {(seen["motif"], seen["variant"], seen["metal"]) for seen in piece["decorations"]}
    assert len(looks) == len(piece["decorations"])
    with pytest.raises(RecordConflict, match="belongs to another"):
        register(desk, photos_of(shelf)[2], piece={"piece_kind": "cup", "number": "8"})
        register(desk, second, joins="8")
    with shelf[0].writing() as tx:
        ledger.undo(tx, joined["change"], "test")
    assert len(desk.show_record("piece", "7")["photos"]) == 1


def test_what_was_registered_apart_is_not_proposed_to_be_merged(
    desk: Register, shelf: tuple[Store, Register, dict[str, list[str]]]
) -> None:
    first, second = photos_of(shelf)[:2]
    register(desk, first, piece={"piece_kind": "platter", "number": "1"})
    answer = desk.find_owned(second)
    assert answer["candidates"][0]["label"] == "1"
    apart = register(desk, second, piece={"piece_kind": "platter", "number": "2"})
    alike = answer["candidates"][0]["similarity"] >= SAME_PIECE
    assert bool(apart["kept_apart"]) == alike
    assert desk.propose_merges("2")["items"] == []


def test_a_reading_that_is_not_confirmed_or_asked_wrongly_is_refused(
    desk: Register, shelf: tuple[Store, Register, dict[str, list[str]]]
) -> None:
    reading = photos_of(shelf)[0]
    with pytest.raises(RecordError, match="unknown field"):
        register(desk, reading, peace={})
    with pytest.raises(RecordError, match="missing"):
        desk.register_reading(
            reading, {"answer": desk.find_owned(reading)["answer"], "piece": {"piece_kind": None}}
        )
    with shelf[0].writing() as tx:
        row = items.find_item_of_reading(tx, reading)
        assert row is not None
        items.update_item(tx, row._mapping["id"], removed_at="2026-01-01")
    try:
        with pytest.raises(RecordConflict, match="not confirmed"):
            register(desk, reading, piece={"piece_kind": "cup"})
    finally:
        with shelf[0].writing() as tx:
            items.update_item(tx, row._mapping["id"], removed_at=None)
