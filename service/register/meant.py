"""What a person means: names, aliases and numbers as the ids of records."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service.errors import NotFound, RecordError
from service.items import find_motif, fold, new_id
from service.register.draft import Draft
from service.register.forms import read_record
from service.register.listed import Distributor, Line, Maker, Motif
from service.register.records import KINDS
from service.register.shelf import NAMED, find_record, find_rows
from service.register.tables import name
from service.register.tables import record as table

NEAR_NAMES = 3


def find_ids(tx: sa.Connection, kind: str, text: str) -> list[str]:
    """Ids of the present records of this kind that the text names, by name, alias, number or id."""
    if has_half_character(text):
        return []
    wanted = sa.select(name.c.record_id).where(name.c.kind == kind, name.c.key == fold(text))
    found = list(tx.execute(wanted.order_by(name.c.record_id)).scalars())
    if found:
        return found
    row = find_rows(tx, [text]).get(text)
    return [text] if row is not None and row.kind == kind and row.removed_at is None else []


def has_half_character(text: str) -> bool:
    """Whether the text holds half of a surrogate pair, which JSON can spell and no database can hold."""
    return any("\ud800" <= char <= "\udfff" for char in text)


def find_meant(tx: sa.Connection, kind: str, text: str) -> str:
    """The one record that the text names.

    Raises
    ------
    NotFound
        None is called so; the message names near ones.
    RecordError
        Several are.
    """
    found = find_ids(tx, kind, text)
    if len(found) > 1:
        raise RecordError([f"{kind}: {len(found)} are called {text[:60]!r}: give the id of one"])
    if not found:
        raise NotFound(f"There is no {_say(kind)} {text[:60]!r} in the register.{_say_near(tx, kind, text)}")
    return found[0]


def find_row(tx: sa.Connection, kind: str, text: str) -> sa.Row[Any]:
    """The present row of the record that the text names.

    Raises
    ------
    NotFound, RecordError
        No record, or more than one, is called so.
    """
    record_id = find_meant(tx, kind, text)
    return tx.execute(sa.select(table).where(table.c.id == record_id)).one()


def _say(kind: str) -> str:
    return kind.replace("_", " ")


def _say_near(tx: sa.Connection, kind: str, text: str) -> str:
    if kind not in NAMED and kind != "piece":
        return ""
    keys = list(tx.execute(sa.select(name.c.key).where(name.c.kind == kind).limit(5000)).scalars())
    near = difflib.get_close_matches(fold(text), keys, NEAR_NAMES)
    return f" Did you mean {' or '.join(repr(key) for key in near)}?" if near else ""


def put_ids(
    draft: Draft,
    kind: str,
    given: Mapping[str, Any],
    new_names: bool = False,
    faults: list[str] | None = None,
) -> dict[str, Any]:
    """The fields given, with every name turned into an id; with ``new_names`` unknown ones join the lists.

    ``motif``, ``line``, ``maker``, ``distributor``, ``piece`` and ``reading`` may stand for the field of that
    name with ``_id``; ``about`` for ``about_kind`` and ``about_id``; pieces in ``goes_with`` may be numbers.

    Raises
    ------
    RecordError
        A name is not in the register, or means several records. With ``faults`` they are noted there
        instead and the field stays empty.
    """
    held = dict(given)
    noted = faults
    faults = [] if noted is None else noted
    allowed = KINDS[kind].__dataclass_fields__ if kind in KINDS else {}
    maker_id = None
    for meant in ("maker", "motif", "line", "distributor", "piece"):
        if meant in held and f"{meant}_id" in allowed and meant not in allowed:
            text = held.pop(meant)
            held[f"{meant}_id"] = _resolve(draft, meant, text, maker_id, new_names, faults)
        if meant == "maker":
            maker_id = held.get("maker_id")
    if "reading" in held and "reading_id" in allowed:
        held["reading_id"] = held.pop("reading")
    if isinstance(held.get("goes_with"), list):
        held["goes_with"] = [_resolve(draft, "piece", t, None, False, faults) for t in held["goes_with"]]
    if "about" in held and "about_id" in allowed:
        held |= _resolve_about(draft, held.pop("about"), faults)
    if faults and noted is None:
        raise RecordError(faults)
    return held


def _resolve(
    draft: Draft, kind: str, text: Any, maker_id: str | None, new_names: bool, faults: list[str]
) -> str | None:
    if text is None or text == "":
        return None
    if not isinstance(text, str):
        faults.append(f"{kind}: expected a text")
        return None
    found = find_ids(draft.tx, kind, text)
    if len(found) > 1 and maker_id is not None:
        rows = find_rows(draft.tx, found)
        found = [i for i in found if f"|{maker_id}" in (rows[i].key or "")] or found
    if len(found) > 1:
        faults.append(f"{kind}: {len(found)} are called {text[:60]!r}: give the maker too, or an id")
        return None
    if found:
        return found[0]
    if new_names and kind in NAMED:
        try:
            return add_name(draft, kind, text, maker_id)
        except RecordError as error:
            faults += [f"{kind}: {fault}" for fault in error.faults]
            return None
    near = _say_near(draft.tx, kind, text)
    faults.append(f"{kind}: {text[:60]!r} is not in the register.{near or ' Add it first'}".rstrip("."))
    return None


def add_name(draft: Draft, kind: str, text: str, maker_id: str | None = None) -> str:
    """A new list record of this name in the draft; a motif has the gallery's id of the same motif.

    Raises
    ------
    RecordError
        The name is too long or holds characters that no name may.
    """
    shown = " ".join(text.split())
    read_record(kind, "?", {"name": shown})
    if kind == "motif":
        record_id = find_motif(draft.tx, shown)
        if find_record(draft.tx, "motif", record_id) is None:
            draft.put(Motif(record_id, shown))
        return record_id
    known = draft.find_put(kind, fold(shown)) if kind != "line" else None
    if known is not None:
        return known
    record_id = new_id()
    if kind == "line":
        draft.put(Line(record_id, shown, maker_id))
    else:
        draft.put(Maker(record_id, shown) if kind == "maker" else Distributor(record_id, shown))
    return record_id


def _resolve_about(draft: Draft, about: Any, faults: list[str]) -> dict[str, Any]:
    """``{"kind": ..., "which": ...}`` or "piece 12" as the two fields that say what a record is about."""
    if isinstance(about, str):
        kind, _, which = about.partition(" ")
    elif isinstance(about, Mapping):
        kind, which = str(about.get("kind", "")), str(about.get("which", ""))
    else:
        kind, which = "", ""
    if kind not in KINDS or not which:
        faults.append('about: expected a kind and a name or id, as {"kind": "piece", "which": "12"}')
        return {}
    record_id = _resolve(draft, kind, which, None, False, faults)
    return {} if record_id is None else {"about_kind": kind, "about_id": record_id}
