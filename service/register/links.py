"""Which record points to which, and what is wrong when one points at nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service import tables as store_tables
from service.register.forms import Body
from service.register.shelf import NAMED, State, find_rows, in_parts, names_of, state_of
from service.register.tables import link, name
from service.register.tables import record as table

POINTS_TO: Mapping[str, Mapping[str, str]] = {
    "piece": {"maker_id": "maker", "line_id": "line", "distributor_id": "distributor", "goes_with": "piece"},
    "decoration": {"piece_id": "piece", "motif_id": "motif"},
    "mark": {"piece_id": "piece", "maker_id": "maker"},
    "line": {"maker_id": "maker"},
    "number_rule": {"maker_id": "maker", "line_id": "line", "distributor_id": "distributor"},
    "date_code_rule": {"maker_id": "maker"},
    "want": {"motif_id": "motif", "line_id": "line"},
    "kept_apart": {"one": "piece", "other": "piece"},
    "opinion": {"evidence_ids": "evidence"},
}


def links_of(kind: str, body: Body) -> list[tuple[str, str, str]]:
    """(field, kind pointed to, id pointed to) of a record."""
    found = []
    for role, to_kind in POINTS_TO.get(kind, {}).items():
        pointed = body.get(role) or ()
        ids = (pointed,) if isinstance(pointed, str) else pointed
        found += [(role, to_kind, record_id) for record_id in dict.fromkeys(ids)]
    if "about_id" in body:
        found.append(("about_id", str(body["about_kind"]), str(body["about_id"])))
    return found


def readings_of(kind: str, body: Body) -> list[tuple[str, str]]:
    """(reading id, role) of the photos a record names."""
    if kind == "piece":
        return [(photo["reading_id"], photo.get("role", "rim")) for photo in body.get("photos", ())]
    role = "mark" if kind == "mark" else "rim"
    return [(body["reading_id"], role)] if body.get("reading_id") else []


def find_broken_links(tx: sa.Connection, states: Mapping[str, State]) -> list[str]:
    """Faults of records just written: pointing at nothing, or gone though still pointed at."""
    present = {i: s for i, s in states.items() if s["present"]}
    wanted = [(i, *found) for i, s in present.items() for found in links_of(s["kind"], s["body"])]
    rows = find_rows(tx, (to_id for _, _, _, to_id in wanted))
    faults = []
    for from_id, role, to_kind, to_id in wanted:
        row = rows.get(to_id)
        if row is None or row.kind != to_kind or row.removed_at is not None:
            faults.append(f"{role}: there is no {to_kind.replace('_', ' ')} {to_id[:60]!r}")
        elif to_id == from_id:
            faults.append(f"{role}: a record cannot point to itself")
    return faults + _find_left_pointing(tx, states)


def _find_left_pointing(tx: sa.Connection, states: Mapping[str, State]) -> list[str]:
    """Records outside this change that point to one that goes in it."""
    counts: dict[tuple[str, str], int] = {}
    for part in in_parts(i for i, s in states.items() if not s["present"]):
        joined = sa.join(link, table, link.c.from_id == table.c.id)
        wanted = sa.select(link.c.from_id, table.c.kind, link.c.to_id).select_from(joined)
        for from_id, kind, to_id in tx.execute(wanted.where(link.c.to_id.in_(part))):
            if from_id not in states:
                counts[kind, to_id] = counts.get((kind, to_id), 0) + 1
    return [
        f"the {_say(states[to_id]['kind'])} is still used by {count} {_say(kind)} record"
        + ("s" if count > 1 else "")
        for (kind, to_id), count in sorted(counts.items())
    ]


def _say(kind: str) -> str:
    return kind.replace("_", " ")


def find_missing_readings(tx: sa.Connection, states: Mapping[str, State]) -> list[str]:
    """Faults: photos named that this store does not have."""
    wanted = {r for s in states.values() if s["present"] for r, _ in readings_of(s["kind"], s["body"])}
    known: set[str] = set()
    reading = store_tables.reading
    for part in in_parts(wanted):
        known |= set(tx.execute(sa.select(reading.c.id).where(reading.c.id.in_(part))).scalars())
    return [
        f"reading_id: there is no reading {r[:60]!r}: read the photo first" for r in sorted(wanted - known)
    ]


def find_taken_names(tx: sa.Connection, states: Mapping[str, State]) -> list[str]:
    """Faults: numbers and names that another present record has, or two records of one change share."""
    faults = []
    for kind in ("piece", *NAMED):
        mine = {i: s["body"] for i, s in states.items() if s["present"] and s["kind"] == kind}
        owners: dict[str, str] = {}
        for record_id, body in mine.items():
            for key in names_of(kind, body):
                other = owners.setdefault(key, record_id)
                if other != record_id and not (kind == "line" and _apart(body, mine[other])):
                    faults.append(_say_taken(kind, key))
        for part in in_parts(owners):
            wanted = sa.select(name).where(name.c.kind == kind, name.c.key.in_(part))
            for row in tx.execute(wanted):
                if row.record_id in states or (kind == "line" and _other_maker(tx, row, mine, owners)):
                    continue
                faults.append(_say_taken(kind, row.key))
    return faults


def _apart(one: Body, other: Body) -> bool:
    return one.get("maker_id") != other.get("maker_id")


def _other_maker(
    tx: sa.Connection, row: sa.Row[Any], mine: Mapping[str, Body], owners: Mapping[str, str]
) -> bool:
    other = state_of(find_rows(tx, [row.record_id])[row.record_id])["body"]
    return _apart(mine[owners[row.key]], other)


def _say_taken(kind: str, key: str) -> str:
    if kind == "piece":
        return f"number: {key!r} is taken by another piece: every piece has a number of its own"
    return f"name: {key!r} is the name or an alias of another {kind}"
