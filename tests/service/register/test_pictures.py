"""Pictures: readable text, words for those who cannot see, nothing that runs or loads, tables beside them.

Contrast: W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.3 (4.5 to 1) and its
definitions of contrast ratio and relative luminance.
"""

from __future__ import annotations

from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.register.aoristic import sum_sightings
from service.register.grid import make_grid
from service.register.listed import Line, Motif
from service.register.pictures import draw_grid, draw_sums, tabulate_sums
from service.register.sightings import Lists, Sighting
from service.register.svg import write_html_table
from service.register.timeline import draw_timeline, make_timeline, tabulate_timeline

NAMES = (
    "Quern Leaf",
    "<script>alert(1)</script>",
    'Rill & "Scroll"',
    "A motif with a name far too long for its row",
)
LISTS = Lists(
    lines={"a": Line("a", "Osmer"), "b": Line("b", "Wexcombe Fell & more than fits in the head of a column")},
    motifs={f"m{n}": Motif(f"m{n}", name, years="1920~/1944" if n else None) for n, name in enumerate(NAMES)},
)


def sighting(number: int, motif: int, metal: str | None, first: int | None, last: int | None) -> Sighting:
    line = "ab"[number % 2]
    return Sighting(
        f"p{number}",
        f"{number}<",
        "cup",
        True,
        f"d{number}",
        f"m{motif}",
        None,
        metal,
        line,
        None,
        None,
        None,
        first,
        last,
    )


SEEN = tuple(
    sighting(
        n,
        n % 4,
        ("gold", "platinum", None)[n % 3],
        1920 + n % 30 if n % 5 else None,
        1925 + n % 30 if n % 7 else None,
    )
    for n in range(200)
)
PICTURES = {
    "timeline": draw_timeline(make_timeline(SEEN, LISTS)),
    "lines": draw_timeline(make_timeline(SEEN, LISTS, by="line")),
    "grid": draw_grid(make_grid(SEEN, LISTS)),
    "sums": draw_sums(sum_sightings(SEEN)),
    "empty timeline": draw_timeline(()),
    "empty grid": draw_grid(make_grid((), Lists())),
    "empty sums": draw_sums(sum_sightings(())),
}
SVG = "{http://www.w3.org/2000/svg}"


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return sum(weight * c for weight, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_black_on_white_has_the_contrast_that_the_standard_names() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("name", PICTURES)
def test_every_text_stands_out_from_what_lies_under_it(name: str) -> None:
    root = ElementTree.fromstring(PICTURES[name])
    boxes: list[tuple[float, float, float, float, str]] = []
    texts = 0
    for element in root:
        if element.tag == f"{SVG}rect":
            x, y, w, h = (float(element.get(key, "0")) for key in ("x", "y", "width", "height"))
            boxes.append((x, y, x + w, y + h, element.get("fill", "")))
        if element.tag == f"{SVG}text":
            texts += 1
            x, y = float(element.get("x", "0")), float(element.get("y", "0")) - 4
            length = 7 * len(element.text or "")
            start = {"start": x, "middle": x - length / 2, "end": x - length}[
                element.get("text-anchor", "start")
            ]
            for probe in (start + 1, start + length / 2, start + length - 1):
                under = [fill for x0, y0, x1, y1, fill in boxes if x0 <= probe <= x1 and y0 <= y <= y1]
                if under:  # a probe past the page's edge lies on nothing
                    assert contrast(element.get("fill", ""), under[-1]) >= 4.5, element.text
    assert texts


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_says_in_words_what_it_shows_and_runs_nothing(name: str) -> None:
    picture = PICTURES[name]
    root = ElementTree.fromstring(picture)
    assert root.get("role") == "img"
    title, description = root.get("aria-labelledby", "").split()
    for tag, element_id in (("title", title), ("desc", description)):
        element = root.find(f"{SVG}{tag}")
        assert element is not None and element.get("id") == element_id and element.text
    tags = {element.tag.removeprefix(SVG) for element in root.iter()}
    assert tags <= {"svg", "title", "desc", "rect", "line", "text"}
    assert "href" not in picture and "url(" not in picture and "<script" not in picture


def test_the_timeline_has_a_dark_bar_within_every_pale_one() -> None:
    for row in make_timeline(SEEN, LISTS):
        first, by, until, last = (row.extent.first, row.extent.by, row.extent.until, row.extent.last)
        assert first and by and until and last
        assert first.year <= by.year <= last.year and first.year <= until.year <= last.year


def test_tables_hold_what_the_pictures_show() -> None:
    table = tabulate_timeline(make_timeline(SEEN, LISTS))
    assert len(table) == 1 + 12 and "piece" in table[1][4]
    assert sum(float(row[2]) for row in tabulate_sums(sum_sightings(SEEN))[1:]) == pytest.approx(
        sum_sightings(SEEN).spread, abs=0.1
    )
    html = write_html_table(table, "Years & <motifs>")
    assert "<script>" not in html and "Years &amp; &lt;motifs&gt;" in html and html.count("<tr>") == 13


@settings(deadline=None)
@given(st.text(max_size=40), st.text(max_size=20))
def test_any_name_can_be_drawn(name: str, number: str) -> None:
    lists = Lists(motifs={"m": Motif("m", name)}, lines={"l": Line("l", name)})
    seen = Sighting("p", number, "cup", True, "d", "m", None, "gold", "l", None, None, None, 1930, 1931)
    for picture in (draw_timeline(make_timeline([seen], lists)), draw_grid(make_grid([seen], lists))):
        ElementTree.fromstring(picture)
