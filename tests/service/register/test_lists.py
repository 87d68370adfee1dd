"""Want list, duplicates, partners and marriages: lists and questions, no claims."""

from __future__ import annotations

from dataclasses import replace

from service.register.listed import Line, Motif, Want
from service.register.sets import find_marriages, find_partners, find_side
from service.register.sightings import Lists, Sighting
from service.register.wants import check_wants, find_duplicates, find_wanted

LISTS = Lists(
    lines={"o": Line("o", "Osmer"), "b": Line("b", "Brindlow")},
    motifs={"q": Motif("q", "Quern Leaf"), "t": Motif("t", "Tidewrack")},
)


def seen(
    number: str, kind: str, motif: str | None = "q", metal: str | None = "gold", line: str | None = "o"
) -> Sighting:
    return Sighting(
        f"p{number}", number, kind, True, f"d{number}", motif, None, metal, line, None, None, None, None, None
    )


REGISTER = (
    seen("1", "cup"),
    seen("2", "cup"),
    seen("3", "saucer"),
    seen("4", "saucer", line="b"),
    seen("5", "saucer", metal="platinum"),
    seen("6", "teapot lid"),
    seen("7", "teapot"),
    seen("8", "teapot", motif="t"),
    replace(seen("9", "cup", motif="t"), owned=False),
)


def test_wants_are_counted_and_what_is_missing_stands_at_the_top() -> None:
    wants = [
        Want("a", "q", piece_kind="Cup", count=2),
        Want("b", "q", metal="platinum", count=3),
        Want("c", "t"),
    ]
    first, second, third = check_wants(wants, REGISTER, LISTS)
    assert (first.want.id, first.owned, first.missing) == ("b", 1, 2)
    assert {second.missing, third.missing} == {0}
    met = {state.want.id: state for state in (first, second, third)}
    assert met["a"].pieces == ("1", "2") and met["c"].seen_elsewhere == ("9",)
    assert first.sentence == "Any piece with Quern Leaf in platinum: 1 of 3 owned, 2 missing (piece 5)."
    at_the_sale = seen("", "saucer", metal="platinum")
    assert [state.want.id for state in find_wanted(at_the_sale, met.values())] == ["b"]


def test_duplicates_are_owned_pieces_alike_in_all_that_is_recorded() -> None:
    (cups,) = find_duplicates(REGISTER, LISTS)
    assert cups.pieces == ("1", "2") and "Cup of Osmer with Quern Leaf in gold: 2 owned" in cups.sentence


def test_kinds_fall_on_one_side_of_a_pair() -> None:
    assert find_side("Teapot lid") == (1, 0) and find_side("teapot") == (1, 1)
    assert find_side("saucer") == (0, 1) and find_side("dinner plate") is None


def test_partners_are_of_one_motif_and_metal_and_never_said_to_belong() -> None:
    found = {lonely.piece_number: lonely for lonely in find_partners(REGISTER, {})}
    assert [p.piece_number for p in found["1"].partners] == ["3", "4"]  # same line before another line
    assert found["1"].partners[1].differs == ("line",)
    assert [p.piece_number for p in found["6"].partners] == ["7"]
    assert found["9"].partners == () and "no partner" in found["9"].sentence
    assert "may go with" in found["1"].sentence and "cannot be seen from records" in found["1"].sentence


def test_paired_pieces_are_left_alone_and_sizes_that_do_not_fit_are_left_out() -> None:
    found = {lonely.piece_number: lonely for lonely in find_partners(REGISTER, {"p1": ("p3",)})}
    assert "1" not in found and [p.piece_number for p in found["2"].partners] == ["4"]
    sizes = {"p6": 92.0, "p7": 104.0}
    found = {lonely.piece_number: lonely for lonely in find_partners(REGISTER, {}, sizes)}
    assert found["6"].partners == ()
    found = {lonely.piece_number: lonely for lonely in find_partners(REGISTER, {}, sizes | {"p7": 93.0})}
    assert "size" in found["6"].partners[0].agrees


def test_a_marriage_is_asked_about_not_asserted() -> None:
    links = {"p6": ("p8",), "p8": ("p6",), "p1": ("p3",)}
    (question,) = find_marriages(REGISTER, links, LISTS)
    assert question.weight == "question" and question.pieces == ("6", "8")
    assert question.sentence.startswith("Is this a marriage?") and "differ in motif" in question.sentence
    assert "proves nothing" in question.settle
