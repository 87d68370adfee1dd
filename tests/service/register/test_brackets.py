"""Brackets are intersections: order-free, idempotent, every source named, never an average."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from service.register.brackets import Bracket, find_bracket, find_terminus_post_quem
from service.register.claims import Claim, bear_on_piece, collect_claims
from service.register.days import Span, intersect_spans
from service.register.edtf import parse_edtf
from service.register.listed import DateCodeRule, Line, Maker, Motif
from service.register.records import Decoration, Evidence, Mark, Piece
from service.register.sightings import Lists, PieceFile


def claim(name: str, date: str, bearing: str = "made within", about: str = "piece") -> Claim:
    edtf = parse_edtf(date)
    spans = bear_on_piece(edtf, bearing)
    return Claim("evidence", name, name, "document", date, bearing, "moderate", about, spans, edtf.uncertain)


def test_the_latest_of_the_earliest_dates_is_the_terminus_post_quem() -> None:
    # Coins of 1588, 1595 and 1590 to 1625 in one find: 1595. The rule (latest of the
    # earliest possible dates) is the handbooks' of archaeology; the example is from memory.
    assert find_terminus_post_quem(["1588", "1595", "1590/1625"]) == (1595, 1, 1)
    bracket = find_bracket(
        [
            claim("a", "1588", "not before"),
            claim("b", "1595", "not before"),
            claim("c", "1590/1625", "not before"),
        ]
    )
    assert bracket.span == Span((1595, 1, 1), None)
    assert [c.source for c in bracket.earliest_by] == ["b"] and bracket.edtf == "[1595..]"


def test_a_bracket_names_the_sources_of_both_ends() -> None:
    bracket = find_bracket(
        [claim("line list", "1932/1941"), claim("catalogue", "1936", "not after"), claim("mark", "193X")]
    )
    assert bracket.edtf == "[1932..1936]"
    assert "line list" in bracket.sentence and "catalogue" in bracket.sentence
    assert "mark" not in bracket.sentence.replace("mark (1930s)", "")
    assert len(bracket.claims) == 3


def test_sources_that_clash_are_named_and_no_mean_is_made() -> None:
    bracket = find_bracket(
        [claim("mark", "1932/1935"), claim("advertisement", "1939"), claim("told", "193X")]
    )
    assert bracket.status == "conflict" and bracket.spans == () and bracket.edtf is None
    assert len(bracket.clashes) == 1
    assert {c.source for c in bracket.clashes[0].claims} == {"mark", "advertisement"}
    assert (
        "mark" in bracket.sentence and "advertisement" in bracket.sentence and "1937" not in bracket.sentence
    )


def test_a_clash_that_only_the_gap_of_a_set_makes_names_all_it_takes() -> None:
    claims = [claim("set", "[1930,1940]"), claim("from", "1931/1945"), claim("until", "1925/1939")]
    bracket = find_bracket([*claims, claim("wide", "19XX")])
    assert bracket.status == "conflict"
    assert [c.source for c in bracket.clashes[0].claims] == ["from", "set", "until"]


def test_a_bracket_warns_of_what_sets_its_ends() -> None:
    catalogue = Claim("evidence", "c", "Catalogue", "catalogue", "1935~", "made within", "weak", "piece",
                      parse_edtf("1935~").spans)  # fmt: skip
    cautions = " ".join(find_bracket([catalogue]).cautions)
    assert "5 years either way" in cautions and "dates itself" in cautions and "weak" in cautions
    assert find_bracket([claim("ledger", "1932/1935")]).cautions == ()
    narrower = find_bracket([catalogue, claim("ledger", "1932/1935")])
    assert narrower.cautions == ()  # the catalogue sets neither end


def test_nothing_dated_is_no_conflict() -> None:
    assert find_bracket([]).status == "no evidence"
    assert find_bracket([]).edtf is None


def test_the_file_of_a_piece_yields_every_kind_of_claim() -> None:
    lists = Lists(
        makers={"m": Maker("m", "Velderby Works", years="1905/1954", source="works ledger")},
        lines={"l": Line("l", "Osmer", "m", years="1932/..", source="price list 1932")},
        motifs={"t": Motif("t", "Tidewrack", years="1930~")},
        date_code_rules={"r": DateCodeRule("r", "K", "1936", "m", "works notebook")},
    )
    file = PieceFile(
        Piece("p", "1", "dinner plate", maker_id="m", line_id="l"),
        (Decoration("d", "p", "t", metal="gold"),),
        (Mark("k", "p", "VELDERBY [...]", date_code="k"),),
        (Evidence("e", "line", "l", "catalogue", "Catalogue, p. 4", "1941", "not after"),),
        (),
        lists,
    )
    claims = collect_claims(file)
    assert {(c.record_kind, c.kind) for c in claims} == {
        ("maker", "document"),
        ("line", "line years"),
        ("motif", "motif years"),
        ("date_code_rule", "date code"),
        ("evidence", "catalogue"),
    }
    bracket = find_bracket(claims)
    assert bracket.status == "conflict"  # the motif's "about 1930" ends in 1935, the code says 1936
    assert find_bracket(collect_claims(file, own_only=True)).edtf == "1936"


def test_an_advertisement_of_the_line_bounds_no_piece_of_it() -> None:
    lists = Lists(lines={"l": Line("l", "Osmer", "m", years="1932/1941")})
    shown = Evidence("e", "line", "l", "advertisement", "Household paper, May 1936", "1936-05")
    file = PieceFile(Piece("p", "1", "cup", line_id="l"), evidence=(shown,), lists=lists)
    assert find_bracket(collect_claims(file)).edtf == "[1932..1941]"
    # Said of the piece itself, or as one-sided evidence of the line, it does.
    own = replace(shown, about_kind="piece", about_id="p")
    assert find_bracket(collect_claims(replace(file, evidence=(own,)))).edtf == "1936-05"
    after = replace(shown, bearing="not before")
    assert find_bracket(collect_claims(replace(file, evidence=(after,)))).edtf == "[1936-05..1941-12]"


def test_a_code_of_two_makers_claims_nothing_while_the_maker_is_unknown() -> None:
    rules = {
        "a": DateCodeRule("a", "K", "1936", "m1"),
        "b": DateCodeRule("b", "K", "1921", "m2"),
    }
    file = PieceFile(
        Piece("p", "1", "cup"), (), (Mark("k", "p", "K", date_code="K"),), lists=Lists(date_code_rules=rules)
    )
    assert collect_claims(file) == ()


years = st.integers(1890, 1960)
dates = st.one_of(
    years.map(str),
    years.map("{}~".format),
    st.tuples(years, st.integers(0, 25)).map(lambda t: f"{t[0]}/{t[0] + t[1]}"),
    st.tuples(years, st.integers(2, 25)).map(lambda t: f"[{t[0]},{t[0] + t[1]}..{t[0] + t[1] + 3}]"),
    years.map("[..{}]".format),
    years.map("{}/..".format),
)
claims_strategy = st.lists(
    st.builds(
        claim, st.sampled_from("abcdefgh"), dates, st.sampled_from(["made within", "not before", "not after"])
    ),
    max_size=6,
)


@settings(deadline=None)
@given(claims_strategy, st.randoms(use_true_random=False))
def test_order_and_repetition_make_no_difference(claims: list[Claim], random: object) -> None:
    shuffled = claims + claims[:2]
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert find_bracket(claims) == find_bracket(shuffled)


@settings(deadline=None)
@given(claims_strategy)
def test_a_bracket_taken_as_a_claim_changes_nothing(claims: list[Claim]) -> None:
    bracket = find_bracket(claims)
    if bracket.edtf is not None:
        again = find_bracket([*claims, claim("the bracket", bracket.edtf)])
        assert again.spans == bracket.spans


@settings(deadline=None)
@given(claims_strategy)
def test_every_day_of_a_bracket_is_allowed_by_every_source(claims: list[Claim]) -> None:
    bracket = find_bracket(claims)
    for span in bracket.spans:
        for source in bracket.claims:
            assert any(intersect_spans(span, allowed) == span for allowed in source.spans)


@settings(deadline=None)
@given(claims_strategy, claims_strategy)
def test_more_evidence_never_widens_a_bracket(some: list[Claim], more: list[Claim]) -> None:
    narrow, wide = find_bracket(some + more), find_bracket(some)
    for span in narrow.spans:
        assert any(intersect_spans(span, outer) == span for outer in wide.spans)
    if wide.status == "conflict":
        assert narrow.status == "conflict"


@settings(deadline=None)
@given(claims_strategy)
def test_a_conflict_names_claims_that_truly_clash(claims: list[Claim]) -> None:
    bracket: Bracket = find_bracket(claims)
    for clash in bracket.clashes:
        assert find_bracket(clash.claims).status == "conflict" and len(clash.claims) >= 2
        for left_out in clash.claims:
            rest = [c for c in clash.claims if c is not left_out]
            assert find_bracket(rest).status != "conflict"
