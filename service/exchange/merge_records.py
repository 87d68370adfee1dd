"""Register records of somebody else beside the own ones: which are the same, which differ, which are new."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa

from service.exchange.archive import Archive
from service.exchange.merge_facts import Disagreement, MergePlan, Row
from service.items import fold
from service.register.shelf import NAMED, columns_of
from service.register.tables import record as table

NOT_COMPARED = ("photos", "note", "private", "kept_at", "aliases", "variants", "goes_with")
PLACE_ONLY = ("number", "piece_id")  # where a record stands, not what it says


def plan_records(tx: sa.Connection, archive: Archive, plan: MergePlan) -> None:
    """Lists first, then pieces, then what hangs on them, so that ids are known before they are pointed to."""
    matcher = _Matcher(tx, plan)
    theirs = [row for row in archive.rows("register_record") if row.get("removed_at") is None]
    for row in sorted(theirs, key=lambda row: (row["kind"] not in NAMED, row["kind"] != "piece")):
        matcher.take(row, json.loads(row["body"]))


class _Matcher:
    """The own present records, found by what makes two records one."""

    def __init__(self, tx: sa.Connection, plan: MergePlan) -> None:
        rows = [dict(row) for row in tx.execute(sa.select(table)).mappings()]
        self._plan = plan
        self._ids = {row["id"] for row in rows}
        present = [row | {"held": json.loads(row["body"])} for row in rows if row["removed_at"] is None]
        self._mine = {row["id"]: row for row in present}
        self._by_key = {(row["kind"], row["key"]): row["id"] for row in present if row["key"]}
        self._content = {_content(row["kind"], row["held"]) for row in present}
        self._by_reading: dict[str, str] = {}
        self._decorations: dict[str, list[Row]] = {}
        for row in present:
            if row["kind"] == "piece":
                self._by_reading |= {i: str(row["id"]) for i in _readings(row["held"])}
            elif row["kind"] == "decoration":
                self._decorations.setdefault(row["held"]["piece_id"], []).append(row)

    def take(self, row: Row, body: Row) -> None:
        """Decide on one of their records."""
        mapped = map_ids(body, self._plan)
        kind = row["kind"]
        same = self._find_same(row["id"], kind, mapped)
        if same is not None:
            self._plan.records[row["id"]] = same
            if kind == "piece":
                self._plan.same_pieces.append((self._mine[same]["held"]["number"], body["number"]))
            self._plan.disagreements += _compare(kind, self._mine[same], mapped)
        elif row["id"] not in self._ids and _content(kind, mapped) not in self._content:
            self._add(row, kind, mapped)

    def _find_same(self, their_id: str, kind: str, mapped: Row) -> str | None:
        if their_id in self._mine:
            return their_id
        if kind == "motif":
            mine = self._plan.motifs.get(their_id)
            return mine if mine in self._mine else None
        if kind in NAMED:
            return self._by_key.get((kind, str(columns_of(kind, mapped)["key"])))
        if kind == "piece":
            return next((self._by_reading[i] for i in _readings(mapped) if i in self._by_reading), None)
        return self._find_decoration(mapped) if kind == "decoration" else None

    def _find_decoration(self, mapped: Row) -> str | None:
        """On an identical piece: the decoration of the same motif, or the only one there is."""
        held = self._decorations.get(mapped["piece_id"], [])
        same = [row for row in held if row["held"].get("motif_id") == mapped.get("motif_id")]
        chosen = same or (held if len(held) == 1 else [])
        return str(chosen[0]["id"]) if chosen else None

    def _add(self, row: Row, kind: str, mapped: Row) -> None:
        key = columns_of(kind, mapped)["key"]
        if kind == "piece" and (kind, str(key)) in self._by_key:
            free = self._free_number(mapped["number"])
            self._plan.renumbered[mapped["number"]] = mapped["number"] = free
            key = columns_of(kind, mapped)["key"]
        if key is not None:
            self._by_key[kind, str(key)] = row["id"]
        self._plan.records[row["id"]] = row["id"]
        self._plan.new_records.append(row | {"body": mapped})

    def _free_number(self, number: str) -> str:
        count = 2
        while ("piece", fold(f"{number} ({count})")) in self._by_key:
            count += 1
        return f"{number} ({count})"


def map_ids(body: Row, plan: MergePlan) -> Row:
    """A record's body with their ids as ours."""
    mapped = dict(body)
    for name, value in body.items():
        if name == "reading_id":
            mapped[name] = plan.readings.get(value, value)
        elif name.endswith("_id") or name in ("one", "other"):
            mapped[name] = plan.motifs.get(value) or plan.records.get(value, value)
        elif name in ("goes_with", "evidence_ids"):
            mapped[name] = [plan.records.get(i, i) for i in value]
        elif name == "photos":
            ids = [plan.readings.get(photo["reading_id"], photo["reading_id"]) for photo in value]
            mapped[name] = [photo | {"reading_id": i} for photo, i in zip(value, ids, strict=True)]
    return mapped


def _content(kind: str, body: Row) -> str:
    return json.dumps([kind, body], sort_keys=True)


def _readings(body: Row) -> list[str]:
    return [str(photo["reading_id"]) for photo in body.get("photos", ())]


def _compare(kind: str, row: Row, theirs: Row) -> list[Disagreement]:
    mine: dict[str, Any] = row["held"]
    what = f"{kind} {mine.get('number') or mine.get('name') or row['id']}"
    return [
        Disagreement(what, name.removesuffix("_id"), mine[name], theirs[name])
        for name in mine
        if name not in (*NOT_COMPARED, *PLACE_ONLY) and name in theirs and mine[name] != theirs[name]
    ]
