"""Rows of the store as JSON and back: the SQL of taking everything out and putting it in."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

import sqlalchemy as sa

from service import tables
from service.register import tables as register

# In the order in which rows can be put in. Left out: kept answers and paired devices (secrets of this
# machine), and whatever is drawn out of the records and can be drawn again.
EXPORTED: tuple[sa.Table, ...] = (
    tables.folder_fact,
    tables.photo,
    tables.motif,
    tables.reading,
    tables.vector,
    tables.gallery_item,
    tables.change,
    register.record,
    register.touch,
)
# A folder that holds none of these holds nothing of a person's.
FILLED_BY_PEOPLE = (tables.photo, tables.gallery_item, register.record)
ROWS_AT_ONCE = 500
LARGEST_WHOLE = 2**63 - 1  # what SQLite holds

Row = dict[str, Any]
Keep = Callable[[Row], Row | None]


def count_rows(tx: sa.Connection, table: sa.Table) -> int:
    """How many rows a table has."""
    return int(tx.execute(sa.select(sa.func.count()).select_from(table)).scalar_one())


def is_untouched(tx: sa.Connection) -> bool:
    """Whether nothing of anybody's is in the folder."""
    return not any(count_rows(tx, table) for table in FILLED_BY_PEOPLE)


def read_rows(tx: sa.Connection, table: sa.Table) -> Iterator[Row]:
    """All rows in the order of their keys, a few in memory at a time."""
    ordered = sa.select(table).order_by(*table.primary_key.columns)
    for row in tx.execution_options(yield_per=ROWS_AT_ONCE).execute(ordered).mappings():
        yield dict(row)


def row_line(row: Mapping[str, Any]) -> bytes:
    """One row as one line of JSON; bytes as base64 text."""
    plain = {k: base64.b64encode(v).decode() if isinstance(v, bytes) else v for k, v in row.items()}
    return (json.dumps(plain, ensure_ascii=False, separators=(",", ":")) + "\n").encode()


def clear_start(tx: sa.Connection) -> None:
    """Take away the first lines that a new folder writes about itself, its log's first line too.

    The log lets nothing be taken away; only here, where it tells of nothing, its guards are lifted.
    """
    guards = list(tx.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"))
    for name, _ in guards:
        tx.exec_driver_sql(f'DROP TRIGGER "{name}"')
    for table in reversed(EXPORTED):
        tx.execute(sa.delete(table))
    for _, statement in guards:
        tx.exec_driver_sql(statement)


def put_rows(tx: sa.Connection, table: sa.Table, rows: Iterable[Row]) -> int:
    """Put rows in as they are; returns how many.

    Raises
    ------
    ValueError
        A row has other columns or kinds of value than the table.
    """
    put, waiting = 0, []
    for row in rows:
        waiting.append(fit_row(table, row))
        if len(waiting) == ROWS_AT_ONCE:
            tx.execute(sa.insert(table), waiting)
            put, waiting = put + len(waiting), []
    if waiting:
        tx.execute(sa.insert(table), waiting)
    return put + len(waiting)


def fit_row(table: sa.Table, row: Row) -> Row:
    """The row with every column of the table.

    Raises
    ------
    ValueError
        It has other columns or kinds of value than the table.
    """
    unknown = sorted(set(row) - set(table.c.keys()))
    if unknown:
        raise ValueError(f"{table.name} has no column {unknown[0]!r}")
    return {column.name: _value(column, row.get(column.name)) for column in table.c}


def _value(column: sa.Column[Any], value: Any) -> Any:
    if value is None:
        if not column.nullable:
            raise ValueError(f"{column.table.name}.{column.name} is missing")
        return None
    if isinstance(column.type, sa.LargeBinary) and isinstance(value, str):
        return base64.b64decode(value, validate=True)
    expected = column.type.python_type
    if isinstance(value, bool) and expected is not bool:
        raise ValueError(f"{column.table.name}.{column.name} holds {str(value)[:40]!r}")
    if not isinstance(value, (int, float) if expected is float else expected):
        raise ValueError(f"{column.table.name}.{column.name} holds {str(value)[:40]!r}")
    if isinstance(value, int) and abs(value) > LARGEST_WHOLE:
        raise ValueError(f"{column.table.name}.{column.name} is too large")
    return value


def list_files(tx: sa.Connection) -> tuple[list[str], list[str]]:
    """Names of the photo files and strip files that rows point at, sorted."""
    photos = tx.execute(sa.select(tables.photo.c.file).distinct()).scalars()
    strip = tables.reading.c.strip_file
    strips = tx.execute(sa.select(strip).where(strip.is_not(None)).distinct()).scalars()
    return sorted(str(p) for p in photos), sorted(str(s) for s in strips)
