"""Search over everything: aliases, silver for platinum, fragments, marks, notes; pages that fit together."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from service.register import search
from service.register.register_actions import Register
from service.register.tables import text as texts
from service.settings import PAGE_SIZE
from service.store import open_store


@pytest.fixture()
def desk(tmp_path: Path) -> Iterator[Register]:
    store = open_store(tmp_path / "data")
    desk = Register(store, "test")
    desk.add_record("maker", {"name": "Velderby Works", "aliases": ["V. & Sons"]})
    desk.add_record("line", {"name": "Osmer", "maker": "Velderby Works"})
    desk.add_record("motif", {"name": "Quern Leaf", "aliases": ["Mill border", "Wheel"]})
    desk.add_record("motif", {"name": "Tidewrack"})
    first = {"motif": "Quern Leaf", "metal": "platinum", "number": "OS-114", "decal": "rosé sprig"}
    mark = {"transcription": "VELDERBY [...] IRONSTONE", "colour": "green"}
    private = {"price": "4.50", "seller": "Mrs Hale", "place": "barn"}
    piece = {"number": "12", "piece_kind": "dinner plate", "line": "Osmer", "note": "Chip at 4 o'clock"}
    desk.add_record("piece", piece | {"decorations": [first], "marks": [mark], "private": private})
    second = {"motif": "Tidewrack", "metal": "gold", "number": "BR 220"}
    desk.add_record("piece", {"number": "112", "piece_kind": "cup", "decorations": [second]})
    desk.add_record("evidence", {"about": "piece 112", "kind": "told", "citation": "Letter of an aunt"})
    yield desk
    store.close()


def found(desk: Register, query: str, **options: object) -> list[str]:
    items = desk.find_records(query, **options)["items"]  # type: ignore[arg-type]
    return [item["label"] for item in items if item["record_kind"] == "piece"]


@pytest.mark.parametrize(
    ("query", "numbers"),
    [
        ("mill border", ["12"]),  # an alias of the motif
        ("wheel", ["12"]),
        ("quern", ["12"]),
        ("silver", ["12"]),  # old lists' word for platinum
        ("platinum", ["12"]),
        ("gold", ["112"]),
        ("s-11", ["12"]),  # a fragment of a decoration number
        ("os114", ["12"]),  # typed without its dash
        ("br220", ["112"]),
        ("ironst", ["12"]),  # in a mark
        ("chip 4 o'clock", ["12"]),  # words of a note, in any order
        ("rose sprig", ["12"]),  # without its accent
        ("aunt", ["112"]),  # evidence about the piece
        ("sons", ["12"]),  # an alias of the maker of its line
        ("12", ["12", "112"]),  # the exact number comes first
        ("osmer silver mill", ["12"]),
        ("osmer gold", []),
        ('"mill border"', ["12"]),
        ("", ["12", "112"]),
        ("%", []),  # no pattern of SQL
        ("_", []),
        ("'; drop", []),
    ],
)
def test_what_a_query_finds(desk: Register, query: str, numbers: list[str]) -> None:
    assert found(desk, query) == numbers


def test_price_seller_and_place_are_found_by_the_owner_alone(desk: Register) -> None:
    for query in ("mrs hale", "4.50", "barn"):
        assert found(desk, query) == []
        assert found(desk, query, with_private=True) == ["12"]


def test_filters_speak_of_one_decoration(desk: Register) -> None:
    assert found(desk, "", filters={"motif": "wheel", "metal": "silver"}) == ["12"]
    assert found(desk, "", filters={"motif": "wheel", "metal": "gold"}) == []
    assert found(desk, "cup", filters={"motif": "Tidewrack"}) == ["112"]


def test_a_hit_says_where_it_was_found(desk: Register) -> None:
    hit = desk.find_records("ironst")["items"][0]
    assert hit["said"] == "velderby [...] ironstone"
    assert hit["decorations"][0]["motif"] == "Quern Leaf"
    motif = next(item for item in desk.find_records("wheel")["items"] if item["record_kind"] == "motif")
    assert motif["label"] == "Quern Leaf"


def test_a_new_alias_is_found_at_once_and_a_removed_piece_no_more(desk: Register) -> None:
    assert found(desk, "zigzag") == []
    desk.correct_record("motif", "Tidewrack", {"aliases": ["Zigzag"]})
    assert found(desk, "zigzag") == ["112"]
    desk.remove_record("piece", "112")
    assert found(desk, "zigzag") == []


@pytest.mark.parametrize("few_hits", [5000, 3])
def test_pages_hold_every_hit_once_in_order_of_number(
    desk: Register, monkeypatch: pytest.MonkeyPatch, few_hits: int
) -> None:
    monkeypatch.setattr(search, "FEW_HITS", few_hits)  # few and many hits are listed in different ways
    for number in range(200, 330):
        desk.add_record("piece", {"number": str(number), "piece_kind": "plate", "note": "lot 2"})
    first = desk.find_records("2")
    labels: list[str] = []
    for page in range(1, first["pages"] + 1):
        items = desk.find_records("2", page=page)["items"]
        assert len(items) == PAGE_SIZE or page == first["pages"]
        labels += [item["label"] for item in items]
    assert len(labels) == len(set(labels)) == first["total"] == 132
    assert labels == sorted(labels, key=int)
    assert desk.find_records("2", page=first["pages"] + 1)["items"] == []
    exact = desk.find_records("250")["items"]
    assert exact[0]["label"] == "250"


def test_the_search_is_written_for_other_databases_too() -> None:
    wanted = sa.select(texts.c.record_id).where(search.place_of(texts.c.text, "leaf") > 0)
    assert "strpos(" in str(wanted.compile(dialect=postgresql.dialect()))
    assert "instr(" in str(wanted.compile(dialect=sqlite.dialect()))
