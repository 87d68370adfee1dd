"""The table of pieces out and in: read back by Python's csv and by pandas, hostile cells included.

Guard characters: OWASP "CSV Injection". Form of the file: RFC 4180 (CRLF, doubled quotes).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service import ledger
from service.exchange.cells import RUN_BY_SPREADSHEETS, guard_cell, unguard_cell
from service.exchange.columns import HEADINGS
from service.exchange.spreadsheet import (
    DIFFERENT,
    NEW,
    REFUSED,
    SAME,
    TableRefused,
    preview_table,
    take_in_table,
    write_table,
)
from service.register.shelf import list_records
from service.store import Store, open_store

HOSTILE = [
    "=1+2",
    "+49 30",
    "-5",
    "@SUM(A1)",
    "'=1",
    "''x",
    "'quoted'",
    'say "no"',
    "a,b;c",
    "two\nlines",
    "é ß",
]


@pytest.fixture()
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "data")
    yield opened
    opened.close()


def table(*rows: dict[str, str]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(dict.fromkeys(h for row in rows for h in row)))
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def write(store: Store, with_private: bool = False) -> str:
    out = io.StringIO(newline="")
    write_table(store, out, with_private)
    return out.getvalue()


PLATE = {
    "number": "12",
    "piece": "dinner plate",
    "maker": "Velderby Works",
    "line": "Osmer",
    "motif": "Tidewrack",
    "metal": "silver",
    "edge line": "green",
    "decoration number": "OS-114",
    "diameter mm": "254.5",
    "price": "12.50",
}


@given(st.text(max_size=30))
def test_the_guard_comes_off_without_loss_and_nothing_guarded_is_run(text: str) -> None:
    guarded = guard_cell(text)
    assert unguard_cell(guarded) == text
    assert not guarded.startswith(RUN_BY_SPREADSHEETS)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_cells_are_harmless_for_csv_readers_and_come_back_whole(store: Store, text: str) -> None:
    import pandas as pd

    written = text.strip()
    take_in_table(store, "test", table({"number": "1", "piece": "cup", "note": guard_cell(text)}))
    content = write(store)
    plain = next(csv.DictReader(io.StringIO(content, newline="")))
    framed = pd.read_csv(io.StringIO(content, newline=""), dtype=str, keep_default_na=False).iloc[0]
    assert plain["note"] == framed["note"] == guard_cell(written)
    assert not plain["note"].startswith(RUN_BY_SPREADSHEETS)
    with store.looking() as tx:
        assert list_records(tx, "piece", 0, 1)[0][0].note == written


def test_a_table_comes_in_as_one_change_and_goes_out_the_same(store: Store, tmp_path: Path) -> None:
    second = PLATE | {"number": "13", "line": "Brindlow", "motif": "Marram", "metal": "gold", "price": ""}
    more = {"number": "13", "motif": "Pip Row", "metal": "gold"}
    reports, change = take_in_table(store, "test", table(PLATE, second, more))
    assert [report.verdict for report in reports] == [NEW, NEW, NEW]
    assert [report.line for report in reports] == [2, 3, 4]
    content = write(store, with_private=True)
    rows = list(csv.DictReader(io.StringIO(content, newline="")))
    assert [row["motif"] for row in rows] == ["Tidewrack", "Marram", "Pip Row"]
    assert rows[0] | PLATE | {"metal": "platinum"} == rows[0], "silver is platinum in this trade"
    other = open_store(tmp_path / "other")
    take_in_table(other, "test", content.encode())
    assert write(other, with_private=True) == content
    other.close()
    with store.writing() as tx:
        ledger.undo(tx, change, "test")
    assert write(store).splitlines() == [",".join(h for h in HEADINGS[:20])]


def test_private_columns_leave_only_when_asked(store: Store) -> None:
    take_in_table(store, "test", table(PLATE | {"price": "SECRET", "kept at": "HIDDEN"}))
    assert "SECRET" not in write(store)
    assert "HIDDEN" not in write(store)
    assert "SECRET" in write(store, with_private=True)


def test_a_preview_says_the_same_as_the_import_and_stores_nothing(store: Store) -> None:
    take_in_table(store, "test", table(PLATE))
    given_rows = table(
        PLATE,
        PLATE | {"number": "14"},
        PLATE | {"number": "15", "metal": "brass"},
        {"number": "16"},
        {"number": "", "piece": "cup"},
        PLATE | {"number": "17", "diameter mm": "wide"},
    )
    before = write(store, with_private=True)
    preview = preview_table(store, given_rows)
    assert write(store, with_private=True) == before
    assert [r.verdict for r in preview] == [SAME, NEW, REFUSED, REFUSED, REFUSED, REFUSED]
    said = {report.number: " ".join(report.reasons) for report in preview}
    assert "brass" in said["15"]
    assert "piece_kind" in said["16"]
    assert "wide" in said["17"]
    assert preview == take_in_table(store, "test", given_rows)[0]


def test_what_is_there_is_never_written_over(store: Store) -> None:
    take_in_table(store, "test", table(PLATE))
    before = write(store, with_private=True)
    reports, change = take_in_table(store, "test", table(PLATE | {"metal": "gold", "grade": "worn"}))
    assert reports[0].verdict == DIFFERENT
    assert any("metal: 'gold' here, 'platinum' in the register" in reason for reason in reports[0].reasons)
    assert change is None
    assert write(store, with_private=True) == before


def test_the_file_is_rfc_4180_with_crlf_and_the_same_number_of_cells_in_every_line(store: Store) -> None:
    take_in_table(store, "test", table(PLATE, PLATE | {"number": "13", "note": 'a "b"\nc'}))
    content = write(store)
    assert content.count("\r\n") == 3
    assert {len(row) for row in csv.reader(io.StringIO(content, newline=""), strict=True)} == {20}


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "name the columns"),
        (b"number,colour\r\n1,red\r\n", "Unknown column 'colour'"),
        (b"piece\r\ncup\r\n", "name the columns"),
        (b"number,number\r\n1,2\r\n", "twice"),
        ("number,note\r\n1,é\r\n".encode("latin-1"), "UTF-8"),
        (b'number,note\r\n1,"open\r\n', "no CSV"),
        (b"number\r\n1,2,3\r\n", "Line 2"),
    ],
)
def test_a_file_that_is_no_such_table_is_refused(store: Store, data: bytes, said: str) -> None:
    with pytest.raises(TableRefused, match=said):
        preview_table(store, data)


def test_the_mark_that_some_programs_put_before_utf8_is_no_heading(store: Store) -> None:
    reports = preview_table(store, b"\xef\xbb\xbfnumber,piece\r\n1,cup\r\n")
    assert reports[0].verdict == NEW


@pytest.mark.parametrize("count", ["1e999", "nan", "2.5", "many"])
def test_a_count_that_is_no_whole_number_is_not_usable_and_spoils_no_other_row(
    store: Store, count: str
) -> None:
    reports, _ = take_in_table(store, "test", table(PLATE | {"count": count}, PLATE | {"number": "14"}))
    assert [report.verdict for report in reports] == [REFUSED, NEW]
    assert count in reports[0].reasons[0]


def test_rows_of_one_piece_are_read_together_and_may_not_contradict_each_other(store: Store) -> None:
    first = {"number": "20", "piece": "cup", "motif": "Marram", "grade": "", "note": ""}
    second = {"number": "20", "motif": "Pip Row", "grade": "good", "note": "bought with its saucer"}
    odd = first | {"number": "21", "grade": "good"}, second | {"number": "21", "grade": "worn"}
    reports, _ = take_in_table(store, "test", table(first, second, *odd))
    assert [report.verdict for report in reports] == [NEW, NEW, REFUSED, REFUSED]
    assert reports[2].reasons == ("grade: 'good' and 'worn' for one piece",)
    with store.looking() as tx:
        piece = list_records(tx, "piece", 0, 1)[0][0]
    assert (piece.grade, piece.note) == ("good", "bought with its saucer")


def test_texts_of_digits_are_compared_as_texts(store: Store) -> None:
    held = PLATE | {"decoration number": "007", "title": "Silver"}
    take_in_table(store, "test", table(held))
    assert preview_table(store, table(held))[0].verdict == SAME
    changed = preview_table(store, table(held | {"decoration number": "7"}))[0]
    assert changed.reasons == ("decoration number: '7' here, '007' in the register",)
