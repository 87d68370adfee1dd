"""Sale labels and talk sheets: honest, private things kept private, every text escaped, nothing loaded."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.register.honest_words import find_claims
from service.register.listed import Distributor, Line, Maker, Motif
from service.register.records import (
    Decoration,
    Defect,
    Evidence,
    Mark,
    Measurement,
    PaintedLine,
    Piece,
    Private,
    TrimWear,
)
from service.register.sale_label import CAUTIONS, write_label
from service.register.sightings import Lists, PieceFile
from service.register.talk_sheet import SheetEntry, write_talk_sheet

REGISTER = Path(__file__).resolve().parents[3] / "service" / "register"
LISTS = Lists(
    makers={"v": Maker("v", "Velderby Works", years="1905/1954")},
    lines={"o": Line("o", "Osmer", "v", years="1932/1941", source="Pattern book 1932")},
    motifs={"q": Motif("q", "Quern Leaf"), "t": Motif("t", "Tidewrack")},
    distributors={"h": Distributor("h", "Harrow and Sons")},
)
FILE = PieceFile(
    Piece(
        "p",
        "17",
        "dinner plate",
        maker_id="v",
        line_id="o",
        distributor_id="h",
        nominal_size="10 in",
        measurements=(Measurement("diameter", 253.6, 250.0, 257.0),),
        defects=(Defect("chip", "underside of the foot", 4.0), Defect("scratches", "well")),
        grade="good",
        wear=(TrimWear(12, 1), TrimWear(6, 3)),
        goes_with=("x",),
        private=Private("$ 40 paid", "J. Doe", "Box sale in Harwell Street", "2024-05"),
    ),
    (
        Decoration("d", "p", "q", "filled", "gold", "worn", (PaintedLine("edge", "green"),), number="OS-114"),
        Decoration("e", "p", "t", metal="platinum"),
    ),
    (Mark("m", "p", "VELDERBY [...]", "printed", "green", "base", maker_id="v"),),
    (Evidence("e", "piece", "p", "advertisement", "Household paper, May 1936", "1936-05", "not before"),),
    lists=LISTS,
)


def test_a_label_says_what_is_seen_recorded_and_not_known() -> None:
    text = write_label(FILE).as_text()
    for said in (
        "Dinner plate with Quern Leaf and Tidewrack border",
        "gold-coloured metal trim, by eye",
        "white metal trim, platinum type, by eye",
        "number read as OS-114",
        "diameter 254 mm (250 to 257)",
        "chip, underside of the foot, 4 mm",
        "breaks, worst at 6 o'clock",
        "Velderby Works, by its mark",
        "Household paper, May 1936",
        "Made from May 1936 to 1941.",
        "whether both left the works together is not known",
    ):
        assert said in text
    assert text.index("chip") < text.index("Grade")  # defects by kind and place stand before any grade
    assert all(caution in text for caution in CAUTIONS)


def test_what_is_private_reaches_no_label_and_no_sheet() -> None:
    label = write_label(FILE)
    printed = label.as_text() + label.as_html() + str(label.as_json())
    printed += write_talk_sheet("Talk", [SheetEntry(FILE)])
    for private in ("40 paid", "J. Doe", "Harwell", "2024"):
        assert private not in printed


def test_a_maker_without_a_mark_is_called_attributed() -> None:
    assert "attributed, no mark" in write_label(replace(FILE, marks=())).as_text()


# Claims that no photo can carry. A rule of this project; the ground for each is in honest_words.py.
FORBIDDEN = re.compile(
    r"\b(rare\w*|scarce|unique|only|first|authentic|genuine|guarantee\w*|certif\w*|valuable|value[ds]?|worth"
    r"|price[ds]?|mint|flawless|perfect|unrestored|complete|carat|karat|assayed|lead[- ]free|safe)\b",
    re.IGNORECASE,
)
WORDED = [
    "sale_label.py",
    "conflict.py",
    "talk_sheet.py",
    "news.py",
    "conflicts.py",
    "number_conflicts.py",
    "date_conflicts.py",
    "piece_conflicts.py",
    "overlaps.py",
    "sets.py",
    "wants.py",
    "brackets.py",
    "timeline.py",
    "pictures.py",
    "motif_order.py",
]


def strings_of(path: Path) -> list[str]:
    """Every text of a file that may be shown: docstrings and the keys of formats apart."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    found = [
        n
        for n in ast.walk(tree)
        if isinstance(n, ast.Constant) and isinstance(n.value, str) and id(n) not in docs
    ]
    return [str(node.value) for node in found if " " in str(node.value).strip()]


@pytest.mark.parametrize("name", WORDED)
def test_the_softwares_own_wording_makes_no_such_claim(name: str) -> None:
    strings = strings_of(REGISTER / name)
    assert strings
    for text in strings:
        assert not FORBIDDEN.search(text), text


harmless = st.text(alphabet="bdgkmpBDGKMP <>&\"'", max_size=12)
maybe = st.one_of(st.none(), harmless)
files = st.builds(
    lambda piece, seen, marks, evidence: PieceFile(
        piece, tuple(seen), tuple(marks), tuple(evidence), lists=LISTS
    ),
    st.builds(
        Piece,
        st.just("p"),
        harmless,
        harmless,
        title=maybe,
        maker_id=st.sampled_from(["v", None, "gone"]),
        line_id=st.sampled_from(["o", None]),
        distributor_id=st.sampled_from(["h", None]),
        nominal_size=maybe,
        materials=maybe,
        grade=maybe,
        features=maybe,
        defects=st.lists(
            st.builds(Defect, harmless, harmless, st.one_of(st.none(), st.floats(0, 99)), maybe)
        ).map(tuple),
        wear=st.lists(st.builds(TrimWear, st.integers(1, 12), st.integers(0, 4)), max_size=4).map(tuple),
        goes_with=st.sampled_from([(), ("x",)]),
    ),
    st.lists(
        st.builds(
            Decoration,
            st.just("d"),
            st.just("p"),
            st.sampled_from(["q", "t", None]),
            maybe,
            st.sampled_from(["gold", "platinum", None]),
            st.sampled_from(["sound", "worn", None]),
            decal=maybe,
            number=maybe,
        ),
        max_size=2,
    ),
    st.lists(st.builds(Mark, st.just("m"), st.just("p"), harmless, maybe, maybe, maybe), max_size=2),
    st.lists(
        st.builds(
            Evidence,
            st.sampled_from("ab"),
            st.just("piece"),
            st.just("p"),
            st.just("catalogue"),
            harmless,
            st.sampled_from(["1936", "1950/..", "[..1931]", "1938~"]),
            st.sampled_from(["made within", "not before", "not after"]),
        ),
        max_size=3,
    ),
)


class Tags(HTMLParser):
    """Collects tags and attributes; an unescaped text would show up among them."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.links += [value or "" for name, value in attrs if name in ("src", "href")]
        assert not any(name.startswith("on") for name, _ in attrs)


PLAIN_TAGS = set(
    [
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "article",
        "h1",
        "h2",
        "dl",
        "dt",
        "dd",
        "ul",
        "ol",
        "li",
        "p",
        "footer",
        "div",
        "section",
        "figure",
        "figcaption",
        "img",
        "a",
    ]
)


@settings(max_examples=60, deadline=None)
@given(files)
def test_no_label_or_sheet_claims_what_cannot_be_shown_or_lets_a_text_out_of_its_quotes(
    file: PieceFile,
) -> None:
    label = write_label(file)
    assert not FORBIDDEN.search(label.as_text()) and not find_claims(label.as_text())
    assert label.remarks == ()
    sheet = write_talk_sheet("A talk", [SheetEntry(file, b"\x89PNG....")])
    assert not FORBIDDEN.search(re.sub(r"<style>.*?</style>", "", sheet, flags=re.DOTALL))
    for page in (label.as_html(), sheet):
        tags = Tags()
        tags.feed(page)
        assert tags.tags <= PLAIN_TAGS
        assert all(link.startswith(("data:image/", "#source-")) for link in tags.links)


@pytest.mark.parametrize(
    "words",
    [
        "rare", "only one", "dishwasher safe", "Microwave-safe", "lead free", "22 carat", "solid gold",
        "worth", "mint", "genuine", "safe for food",
    ],
)  # fmt: skip
def test_an_owners_own_claim_is_remarked_on_and_not_repeated_as_ours(words: str) -> None:
    label = write_label(replace(FILE, piece=replace(FILE.piece, title=f"A {words} plate")))
    assert len(label.remarks) == 1 and words in label.remarks[0]


def test_plain_descriptions_are_no_claims() -> None:
    assert find_claims("Gold border, first line list of 1932, mintcoloured well, leaf and rill") == (
        ("first", "a register knows its own pieces"),
    )
    assert find_claims("Green edge line, worn at six o'clock") == ()


def test_a_sheet_sets_strips_side_by_side_with_numbered_sources() -> None:
    other = replace(FILE, piece=replace(FILE.piece, id="p2", number="18"), evidence=())
    sheet = write_talk_sheet(
        "Velderby & its <stamps>", [SheetEntry(FILE, b"\x89PNG1"), SheetEntry(other)], "May 2026"
    )
    assert "Velderby &amp; its &lt;stamps&gt;" in sheet
    assert (
        sheet.index("<h2>Quern Leaf</h2>")
        < sheet.index("<h2>Tidewrack</h2>")
        < sheet.index("<h2>Sources</h2>")
    )
    assert sheet.count("<figure>") == 4 and sheet.count("no strip of this piece") == 2
    assert sheet.count("Household paper, May 1936") == 1  # each source once, referred to by number
    assert "http" not in sheet and "<script" not in sheet
