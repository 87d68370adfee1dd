"""The register's pieces as a table for spreadsheets (CSV, RFC 4180, UTF-8), out and in.

Coming in, every row is judged first: new, the same, different, or not usable and why. Nothing is stored
until it is asked for, then all usable rows come in as one change that one undo takes back. What the register
has already is never written over.
"""

from __future__ import annotations

import contextlib
import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TextIO

import sqlalchemy as sa

from service.errors import RecordError, ServiceError
from service.exchange.cells import guard_cell, unguard_cell
from service.exchange.columns import (
    COLUMNS,
    HEADINGS,
    NUMBERS,
    join_rows,
    read_decoration,
    read_piece,
    row_of,
)
from service.exchange.one_change import OneChange
from service.register.adding import put_new
from service.register.forms import METAL_ALIASES
from service.register.meant import find_ids
from service.register.records import Decoration, Piece
from service.register.shelf import find_hanging, find_record, list_records, of_type
from service.register.shown import show_records
from service.store import Store

PIECES_AT_ONCE = 500
MOST_ROWS = 100_000
NEW, SAME, DIFFERENT, REFUSED = "new", "the same", "different", "not usable"


class TableRefused(ServiceError):
    """The file as a whole is no table of pieces; it says why."""


@dataclass(frozen=True)
class RowReport:
    """What is to be said of one row: its line in the file, the piece's number, a word and the reasons."""

    line: int
    number: str
    verdict: str
    reasons: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The report as plain JSON."""
        return {"line": self.line, "number": self.number, "verdict": self.verdict, "reasons": [*self.reasons]}


def write_table(store: Store, out: TextIO, with_private: bool = False) -> int:
    """Write every present piece; returns the number of rows. ``out`` must not translate line ends."""
    headings = [c.heading for c in COLUMNS if with_private or not c.is_private]
    writer = csv.writer(out)  # RFC 4180: CRLF, quotes doubled, only where needed
    writer.writerow(headings)
    count = 0
    with store.looking() as tx:
        for row in _list_rows(tx):
            writer.writerow([_cell(row[heading]) for heading in headings])
            count += 1
    return count


def preview_table(store: Store, data: bytes) -> list[RowReport]:
    """Judge every row as if it came in; nothing is stored.

    Raises
    ------
    TableRefused
        The file is no UTF-8 text, or has no column ``number``, or unknown columns.
    """
    rows = read_table(data)
    with store.writing() as tx, tx.begin_nested() as trial:
        reports, _ = _judge(tx, "preview", rows)
        trial.rollback()
    return reports


def take_in_table(store: Store, who: str, data: bytes) -> tuple[list[RowReport], str | None]:
    """Put the new rows in as one change; returns the reports and the change, None where nothing came in."""
    rows = read_table(data)
    with store.writing() as tx:
        return _judge(tx, who, rows, keep=True)


def read_table(data: bytes) -> list[tuple[int, dict[str, str]]]:
    """The rows with their lines in the file, cells unguarded and trimmed, by heading."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise TableRefused("The file is no UTF-8 text: save it as CSV UTF-8 and try again.") from None
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        headings = [heading.strip().casefold() for heading in next(reader, [])]
        _check_headings(headings)
        rows = []
        line = reader.line_num + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((line, _by_heading(headings, cells, line)))
            line = reader.line_num + 1
            if len(rows) > MOST_ROWS:
                raise TableRefused(f"The table has more than {MOST_ROWS} rows: split it.")
    except csv.Error as error:
        raise TableRefused(f"Line {reader.line_num} is no CSV ({error}). Nothing was changed.") from error
    return rows


def _check_headings(headings: list[str]) -> None:
    if "number" not in headings:
        raise TableRefused(
            f"The first line must name the columns, `number` among them; there are {', '.join(HEADINGS)}."
        )
    unknown = [heading for heading in headings if heading not in HEADINGS]
    if unknown:
        raise TableRefused(f"Unknown column {unknown[0][:40]!r}; there are {', '.join(HEADINGS)}.")
    if len(set(headings)) < len(headings):
        raise TableRefused("A column stands twice in the first line.")


def _by_heading(headings: list[str], cells: list[str], line: int) -> dict[str, str]:
    if len(cells) > len(headings):
        raise TableRefused(f"Line {line} has {len(cells)} cells under {len(headings)} headings.")
    return {h: unguard_cell(cell).strip() for h, cell in zip(headings, cells, strict=False)}


def _judge(
    tx: sa.Connection, who: str, rows: list[tuple[int, dict[str, str]]], keep: bool = False
) -> tuple[list[RowReport], str | None]:
    """Judge piece by piece, each on a savepoint of its own, so that one bad row spoils no other."""
    change = OneChange(tx, who)
    reports: list[RowReport] = []
    for number, together in _by_number(rows).items():
        try:
            verdict, reasons = _judge_piece(change, number, [cells for _, cells in together])
        except RecordError as error:
            verdict, reasons = REFUSED, tuple(error.faults)
        except ValueError as error:
            verdict, reasons = REFUSED, (str(error),)
        reports += [RowReport(line, number, verdict, reasons) for line, _ in together]
    logged = change.log("import table") if keep else None
    return sorted(reports, key=lambda report: report.line), logged


def _by_number(rows: list[tuple[int, dict[str, str]]]) -> dict[str, list[tuple[int, dict[str, str]]]]:
    together: dict[str, list[tuple[int, dict[str, str]]]] = {}
    for line, cells in rows:
        together.setdefault(cells.get("number", ""), []).append((line, cells))
    return together


def _judge_piece(change: OneChange, number: str, rows: list[dict[str, str]]) -> tuple[str, tuple[str, ...]]:
    if not number:
        raise ValueError("number: missing")
    known = find_ids(change.tx, "piece", number)
    if known:
        return _compare(change.tx, known[0], rows)
    decorations = [seen for seen in map(read_decoration, rows) if seen]
    given = read_piece(join_rows(rows)) | {"decorations": decorations}
    with change.part() as draft:
        put_new(draft, "piece", given, new_names=True)
    return NEW, ()


def _compare(tx: sa.Connection, piece_id: str, rows: list[dict[str, str]]) -> tuple[str, tuple[str, ...]]:
    """Which cells say other than the register; what a file leaves empty is no difference."""
    held = [{h: _cell(v) for h, v in row.items()} for row in _rows_of(tx, [piece_id])]
    differing = []
    for cells in rows:
        best = min((_differences(cells, row) for row in held), key=len)
        differing += [text for text in best if text not in differing]
    return (DIFFERENT, tuple(differing)) if differing else (SAME, ())


def _differences(cells: Mapping[str, str], row: Mapping[str, str]) -> list[str]:
    found = []
    for heading, text in cells.items():
        there = unguard_cell(row[heading])
        if text and not _alike(heading, text, there):
            found.append(f"{heading}: {text[:60]!r} here, {there[:60]!r} in the register")
    return found


def _alike(heading: str, one: str, other: str) -> bool:
    if heading in NUMBERS:
        with contextlib.suppress(ValueError):
            return float(one.replace(",", ".")) == float(other)
    folded = one.casefold()
    if heading == "metal":
        folded = METAL_ALIASES.get(folded, folded)
    return folded == other.casefold()


def _list_rows(tx: sa.Connection) -> Iterator[dict[str, Any]]:
    offset = 0
    while True:
        pieces, _total = list_records(tx, "piece", offset, PIECES_AT_ONCE)
        if not pieces:
            return
        yield from _rows_of(tx, [piece.id for piece in pieces])
        offset += PIECES_AT_ONCE


def _rows_of(tx: sa.Connection, piece_ids: list[str]) -> Iterator[dict[str, Any]]:
    hanging = find_hanging(tx, piece_ids)
    found = [find_record(tx, "piece", piece_id) for piece_id in piece_ids]
    pieces = [piece for piece in found if isinstance(piece, Piece)]
    for piece, shown in zip(pieces, show_records(tx, pieces, with_private=True), strict=True):
        decorations = of_type(hanging.get(piece.id, []), Decoration)
        rows = [row_of(shown, seen) for seen in show_records(tx, decorations) or ({},)]
        yield from sorted(rows, key=lambda row: [_cell(value) for value in row.values()])


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value) if isinstance(value, int) else guard_cell(str(value))
