"""Grid, overlaps, news and conflicts, on a small register whose every count is known by hand."""

from __future__ import annotations

import re
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from service.register.conflicts import find_conflicts
from service.register.date_conflicts import explain_clash
from service.register.grid import make_grid
from service.register.listed import DateCodeRule, Line, Maker, Motif, NumberRule
from service.register.news import find_all_news, find_news, index_combinations
from service.register.overlaps import find_overlaps
from service.register.piece_conflicts import find_piece_conflicts
from service.register.records import Decoration, Evidence, Mark, Piece
from service.register.sightings import Lists, PieceFile, Sighting

LISTS = Lists(
    makers={"v": Maker("v", "Velderby Works"), "w": Maker("w", "Wexcombe Pottery")},
    lines={
        "osmer": Line("osmer", "Osmer", "v", years="1930/1945", source="price lists"),
        "brindlow": Line("brindlow", "Brindlow", "v"),
        "corrick": Line("corrick", "Corrick", "w"),
    },
    motifs={
        "quern": Motif("quern", "Quern Leaf", variants=("open", "filled")),
        "tide": Motif("tide", "Tidewrack"),
        "marram": Motif("marram", "Marram", years="1950/.."),
    },
    number_rules={"r": NumberRule("r", "OS", "v", line_id="osmer", source="pattern book")},
)


def seen(name: str, motif: str | None, metal: str | None, line: str | None, **more: object) -> Sighting:
    plain = Sighting(
        f"p{name}",
        name,
        "dinner plate",
        True,
        f"d{name}",
        motif,
        None,
        metal,
        line,
        "v",
        None,
        None,
        None,
        None,
    )
    return replace(plain, **more)  # type: ignore[arg-type]


REGISTER = (
    seen("1", "quern", "gold", "osmer", number="OS-114", earliest=1932, latest=1935),
    seen("2", "quern", "gold", "osmer", number="OS-114", earliest=1938, latest=1940),
    seen("3", "quern", "gold", "osmer", earliest=1934, latest=1934),
    seen("4", "quern", "gold", "osmer"),
    seen("5", "quern", "platinum", "osmer"),
    seen("6", "quern", "platinum", "brindlow", owned=False),
    seen("7", "tide", "gold", "brindlow", number="os 114"),
    seen("8", "tide", None, "osmer", earliest=1948, latest=1950),
    seen("9", "marram", "gold", "corrick", earliest=None, latest=1940),
    seen("10", None, None, None, decoration_id=None),
)


def test_the_grid_counts_pieces_and_says_who_sets_the_dates() -> None:
    grid = make_grid(REGISTER, LISTS)
    cell = grid.cells["quern", "osmer", "gold"]
    assert (cell.pieces, cell.owned, cell.extent.dated) == (4, 4, 3)
    first, by, last = cell.extent.first, cell.extent.by, cell.extent.last
    assert first is not None and by is not None and last is not None
    assert (first.year, first.piece_number, first.without) == (1932, "1", 1934)
    assert (by.year, by.piece_number) == (1934, "3")
    assert (last.year, last.piece_number, last.without) == (1940, "2", 1935)
    assert grid.cells["quern", "brindlow", "platinum"].owned == 0
    assert ("tide", "osmer", "gold") in grid.find_blanks() and (
        "quern",
        "osmer",
        "gold",
    ) not in grid.find_blanks()
    assert grid.pieces == 10


def test_the_grid_is_a_table_with_blanks() -> None:
    head, *rows = make_grid(REGISTER, LISTS).as_table()
    assert head[:4] == ("motif", "Brindlow, gold", "Brindlow, platinum", "Brindlow, not recorded")
    assert [row[0] for row in rows] == ["Marram", "Quern Leaf", "Tidewrack"]
    quern = dict(zip(head, rows[1], strict=True))
    assert quern["Osmer, gold"] == "4" and quern["Corrick, gold"] == "" and quern["first"] == "1932 (1)"


def test_a_piece_with_one_motif_twice_counts_once() -> None:
    twice = [REGISTER[0], replace(REGISTER[0], decoration_id="other")]
    assert make_grid(twice, LISTS).cells["quern", "osmer", "gold"].pieces == 1


sightings = st.lists(
    st.builds(
        lambda n, m, metal, line, y, d: seen(
            str(n), m, metal, line, earliest=y, latest=None if y is None else y + d
        ),
        st.integers(1, 30),
        st.sampled_from(["quern", "tide", "marram", None]),
        st.sampled_from(["gold", "platinum", None]),
        st.sampled_from(["osmer", "brindlow", "corrick", None]),
        st.one_of(st.none(), st.integers(1900, 1960)),
        st.integers(0, 20),
    ),
    max_size=30,
    unique_by=lambda s: s.piece_id,
)


@settings(deadline=None)
@given(sightings, st.randoms(use_true_random=False))
def test_no_view_depends_on_the_order_of_the_pieces(found: list[Sighting], random: object) -> None:
    shuffled = list(found)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert make_grid(found, LISTS).as_json() == make_grid(shuffled, LISTS).as_json()
    assert find_conflicts(found, LISTS) == find_conflicts(shuffled, LISTS)
    assert sum(c.pieces for c in make_grid(found, LISTS).cells.values()) == len(found)
    assert {n.sentence for n in find_all_news(found, LISTS)} == {
        n.sentence for n in find_all_news(shuffled, LISTS)
    }


def test_overlaps_name_lines_and_metals() -> None:
    overlaps = {o.motif: o for o in find_overlaps(make_grid(REGISTER, LISTS))}
    assert set(overlaps) == {"Quern Leaf", "Tidewrack"}
    quern = overlaps["Quern Leaf"]
    assert quern.both_on == ("osmer",) and not quern.metals_differ
    assert quern.sentence == (
        "Quern Leaf is on 2 lines in this register. Brindlow: 1 platinum; Osmer: 4 gold, 1 platinum."
    )
    plain = [seen("1", "tide", "gold", "osmer"), seen("2", "tide", "platinum", "brindlow")]
    assert find_overlaps(make_grid(plain, LISTS))[0].metals_differ


def test_news_is_what_no_other_piece_shows() -> None:
    known = index_combinations(REGISTER)
    assert find_news(REGISTER[0], known, LISTS) == ()
    (news,) = find_news(seen("", "tide", "platinum", None, piece_id="new"), known, LISTS)
    assert news.kind == "motif in metal"
    assert news.sentence == "Tidewrack in platinum is not in this register (10 pieces)."
    assert "1 in gold on Brindlow" in news.known
    kinds = [n.kind for n in find_news(REGISTER[8], known, LISTS)]
    assert kinds == ["motif", "line in metal"]  # nothing narrower is told beside a new motif


@settings(deadline=None)
@given(sightings)
def test_news_never_speaks_of_the_world_outside_the_register(found: list[Sighting]) -> None:
    for news in find_all_news(found, LISTS):
        assert "not in this register" in news.sentence
        assert not re.search(
            r"\b(only|first|rare|unique|unknown)\b", news.sentence + news.known, re.IGNORECASE
        )


def test_conflicts_name_records_and_what_would_settle_them() -> None:
    found = {c.kind: c for c in find_conflicts(REGISTER, LISTS)}
    assert set(found) == {
        "one number, two motifs",
        "number against the line",
        "metal against the register",
        "maker against the line",
        "date outside the line's years",
        "date outside the motif's years",
    }
    number = found["one number, two motifs"]
    assert number.pieces == ("1", "2", "7") and number.weight == "conflict"
    assert ("motif", "quern") in number.records and ("decoration", "d7") in number.records
    assert found["metal against the register"].pieces == ("5",)
    assert found["metal against the register"].weight == "question"
    assert found["number against the line"].pieces == ("7",)
    assert found["maker against the line"].pieces == ("9",)
    assert found["date outside the line's years"].pieces == ("8",)
    assert "1948 to 1950" in found["date outside the line's years"].sentence
    assert found["date outside the motif's years"].pieces == ("9",)
    for conflict in found.values():
        assert conflict.sentence.endswith(".") and conflict.settle.endswith(".")


def test_one_number_of_two_makers_is_no_conflict() -> None:
    two = [
        seen("1", "quern", "gold", None, number="14"),
        seen("2", "tide", "gold", None, number="14", maker_id="w"),
    ]
    assert find_conflicts(two, LISTS) == ()
    unknown = [replace(s, maker_id=None) for s in two]
    (question,) = find_conflicts(unknown, LISTS)
    assert question.weight == "question" and "two makers may use one number" in question.settle


def test_one_number_in_two_metals_is_a_question() -> None:
    two = [seen("1", "tide", "gold", "osmer", number="9"), seen("2", "tide", "platinum", "osmer", number="9")]
    assert [c.kind for c in find_conflicts(two, LISTS)] == ["one number, two metals"]


def test_a_variant_outside_the_motifs_list_is_a_question() -> None:
    (question,) = find_conflicts([seen("1", "quern", "gold", "osmer", variant="mirrored")], LISTS)
    assert question.kind == "variant not listed" and "open, filled" in question.sentence


def test_a_clash_is_listed_and_explained_with_its_sources() -> None:
    assert [c.kind for c in find_conflicts([seen("1", "tide", "gold", "osmer", clash=True)], LISTS)] == [
        "evidence clashes"
    ]
    file = PieceFile(
        Piece("p1", "1", "cup", maker_id="v", line_id="osmer"),
        evidence=(
            Evidence("e1", "piece", "p1", "mark", "Mark with crown", "1951/1955"),
            Evidence("e2", "piece", "p1", "told", "Wedding present", "1938"),
        ),
        lists=LISTS,
    )
    clash = explain_clash(file)
    assert clash is not None
    assert {("evidence", "e1"), ("evidence", "e2"), ("line", "osmer")} <= set(clash.records)
    assert "Mark with crown" in clash.sentence and "Wedding present" in clash.sentence
    assert explain_clash(replace(file, evidence=())) is None


def test_one_pieces_own_conflicts_name_marks_codes_and_rules() -> None:
    lists = replace(
        LISTS,
        date_code_rules={
            "a": DateCodeRule("a", "K", "1936", "v"),
            "b": DateCodeRule("b", "K", "1921", "w"),
        },
    )
    file = PieceFile(
        Piece("p1", "1", "cup", maker_id="v", line_id="brindlow"),
        (Decoration("d1", "p1", "quern", number="OS-7"),),
        (
            Mark("m1", "p1", "WEXCOMBE", maker_id="w", date_code="Z"),
            Mark("m2", "p1", "[...]", date_code="K"),
        ),
        lists=lists,
    )
    found = {c.kind: c for c in find_piece_conflicts(file)}
    assert set(found) == {"mark against the maker", "date code not settled", "number against the line"}
    assert "no rule" in found["date code not settled"].sentence
    assert "Wexcombe Pottery" in found["mark against the maker"].sentence
    unknown = replace(file, piece=replace(file.piece, maker_id=None, line_id=None), marks=file.marks[1:])
    (question,) = find_piece_conflicts(unknown)
    assert "several rules" in question.sentence and "codes are a maker's own" in question.settle
    assert find_piece_conflicts(replace(file, decorations=(), marks=())) == ()
