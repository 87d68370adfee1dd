"""When motifs or lines were in use, by their dated pieces: as rows, as a table and as a picture.

A pale bar spans all years that any piece may be of; a dark bar those from which some piece surely dates at
or before, to those at or after which one surely does. A thin line shows the years that the lists name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.register import svg
from service.register.edtf import DateRefused, parse_edtf
from service.register.edtf_said import say_edtf
from service.register.grid import NOT_RECORDED, Extent, Setter, find_extent
from service.register.sightings import Lists, Sighting

By = Literal["motif", "line"]
LABEL_WIDTH, YEAR_WIDTH, COUNT_WIDTH, ROW_HEIGHT, HEAD = 250, 720, 110, 24, 64
_COLOURS = {
    "gold": (svg.GOLD, svg.GOLD_PALE),
    "platinum": (svg.PLATINUM, svg.PLATINUM_PALE),
    None: (svg.PLAIN, svg.PLAIN_PALE),
}


@dataclass(frozen=True)
class TimelineRow:
    """One motif or line in one metal (None: not recorded)."""

    record_id: str | None
    label: str
    metal: str | None
    pieces: int
    extent: Extent
    listed: str | None  # EDTF of the list's years

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "id": self.record_id,
            "label": self.label,
            "metal": self.metal,
            "pieces": self.pieces,
            "listed_years": self.listed,
            **self.extent.as_json(),
        }


def make_timeline(sightings: Sequence[Sighting], lists: Lists, by: By = "motif") -> tuple[TimelineRow, ...]:
    """A row for each motif (or line) and metal that has pieces, in order of name."""
    grouped: dict[tuple[str | None, str | None], dict[str, Sighting]] = {}
    for seen in sightings:
        if seen.decoration_id is not None:
            key = (seen.motif_id if by == "motif" else seen.line_id, seen.metal)
            grouped.setdefault(key, {})[seen.piece_id] = seen
    named: dict[str, Any] = {**(lists.motifs if by == "motif" else lists.lines)}
    rows = []
    for (record_id, metal), pieces in grouped.items():
        record = named.get(record_id or "")
        label = record.name if record is not None else (record_id or f"{by} {NOT_RECORDED}")
        listed = record.years if record is not None else None
        rows.append(TimelineRow(record_id, label, metal, len(pieces), find_extent(pieces.values()), listed))
    return tuple(sorted(rows, key=lambda r: (r.record_id is None, r.label.casefold(), r.metal or "z")))


def tabulate_timeline(rows: Sequence[TimelineRow]) -> tuple[tuple[str, ...], ...]:
    """Headings and one row each: what the picture shows, in words."""
    head = (
        "name",
        "metal",
        "pieces",
        "dated",
        "earliest possible",
        "made by",
        "still made",
        "latest possible",
        "listed",
    )
    table: list[tuple[str, ...]] = [head]
    for row in rows:
        extent = row.extent
        setters = (extent.first, extent.by, extent.until, extent.last)
        said = tuple("" if s is None else f"{s.year} (piece {s.piece_number})" for s in setters)
        listed = _say_listed(row.listed)
        table.append(
            (row.label, row.metal or NOT_RECORDED, str(row.pieces), str(extent.dated), *said, listed)
        )
    return tuple(table)


def _say_listed(years: str | None) -> str:
    try:
        return say_edtf(years) if years else ""
    except DateRefused:
        return years or ""


def draw_timeline(rows: Sequence[TimelineRow], title: str = "Years of the register's pieces") -> str:
    """The rows as an SVG picture with a title and a description."""
    years = [s.year for r in rows for s in (r.extent.first, r.extent.by, r.extent.until, r.extent.last) if s]
    dated = sum(1 for row in rows if row.extent.dated)
    low, high = _choose_axis(years)
    described = (
        f"{len(rows)} rows, {dated} with dated pieces, from {min(years)} to {max(years)}. Pale bars: years "
        f"that pieces may be of. Dark bars: years over which they surely reach. The table holds the same."
        if years
        else f"{len(rows)} rows, none of them with a dated piece."
    )
    width = LABEL_WIDTH + YEAR_WIDTH + COUNT_WIDTH
    page = svg.SvgPage("timeline", title, described, width, HEAD + ROW_HEIGHT * len(rows) + 44)
    page.text(16, 26, title, size=16, bold=True)
    _draw_axis(page, low, high, len(rows))
    for number, row in enumerate(rows):
        named = number == 0 or rows[number - 1].label != row.label
        _draw_row(page, row, HEAD + number * ROW_HEIGHT, low, high, named)
    bottom = HEAD + ROW_HEIGHT * len(rows) + 30
    note = "pale: may be of these years · dark: surely reaches over these · line: years as listed"
    page.text(16, bottom, note, fill=svg.QUIET, size=12)
    return page.write()


def _choose_axis(years: Sequence[int]) -> tuple[int, int]:
    """Whole decades around all years, one at least."""
    if not years:
        return 1900, 1910
    low = min(years) // 10 * 10
    return low, max((max(years) // 10 + 1) * 10, low + 10)


def _place(year: float, low: int, high: int) -> float:
    share = (year - low) / (high - low)
    return LABEL_WIDTH + YEAR_WIDTH * min(1.0, max(0.0, share))


def _draw_axis(page: svg.SvgPage, low: int, high: int, rows: int) -> None:
    step = next((s for s in (5, 10, 20, 50, 100) if (high - low) / s <= 12), (high - low) / 10)
    bottom = HEAD + ROW_HEIGHT * rows
    year: float = low
    while year <= high:
        x = _place(year, low, high)
        page.line(x, HEAD - 8, x, bottom)
        page.text(x, HEAD - 14, f"{year:g}", "middle", svg.QUIET, 12)
        year += step
    page.text(LABEL_WIDTH + YEAR_WIDTH + COUNT_WIDTH - 12, HEAD - 14, "dated / all", "end", svg.QUIET, 12)


def _draw_row(page: svg.SvgPage, row: TimelineRow, y: float, low: int, high: int, named: bool) -> None:
    dark, pale = _COLOURS.get(row.metal, _COLOURS[None])
    middle = y + ROW_HEIGHT / 2
    if named:
        page.line(16, y, LABEL_WIDTH + YEAR_WIDTH, y)
        page.text(16, middle + 4, svg.shorten(row.label, 24), hint=row.label)
    page.text(LABEL_WIDTH - 12, middle + 4, row.metal or "metal ?", "end", svg.QUIET, 12)
    extent = row.extent
    if extent.first and extent.last:
        _draw_bar(page, extent.first, extent.last, middle - 8, 16, pale, (low, high), dark)
    if extent.by and extent.until and extent.by.year <= extent.until.year:
        _draw_bar(page, extent.by, extent.until, middle - 4, 8, dark, (low, high))
    _draw_listed(page, row.listed, middle, low, high)
    page.text(
        LABEL_WIDTH + YEAR_WIDTH + COUNT_WIDTH - 12,
        middle + 4,
        f"{extent.dated} / {row.pieces}",
        "end",
        svg.QUIET,
        12,
    )


def _draw_bar(
    page: svg.SvgPage,
    first: Setter,
    last: Setter,
    y: float,
    height: float,
    fill: str,
    axis: tuple[int, int],
    stroke: str = "none",
) -> None:
    x0, x1 = _place(first.year, *axis), _place(last.year + 1, *axis)
    hint = f"{first.year} (piece {first.piece_number}) to {last.year} (piece {last.piece_number})"
    page.rect(x0, y, x1 - x0, height, fill, hint, stroke)


def _draw_listed(page: svg.SvgPage, listed: str | None, middle: float, low: int, high: int) -> None:
    try:
        span = parse_edtf(listed).span if listed else None
    except DateRefused:
        return
    if span is not None:
        x0 = LABEL_WIDTH if span.first_year is None else _place(span.first_year, low, high)
        x1 = LABEL_WIDTH + YEAR_WIDTH if span.last_year is None else _place(span.last_year + 1, low, high)
        page.line(x0, middle + 10, x1, middle + 10, svg.INK, 1.5)
