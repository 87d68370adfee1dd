"""Register records of somebody else beside the own ones: which are the same, which differ, which are new."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import sqlalchemy as sa

from service.exchange.archive import Archive
from service.exchange.merge_facts import Disagreement, MergePlan, Row
from service.items import fold
from service.register.number_rules import write_number_key
from service.register.shelf import NAMED, columns_of, names_of
from service.register.tables import record as table

NOT_COMPARED = ("photos", "note", "private", "kept_at", "aliases", "variants", "goes_with")
PLACE_ONLY = ("number", "piece_id")  # where a record stands, not what it says
# What is pointed to before what points to it, so that ids are known; pieces of one set point at each other.
LISTED_FIRST = ("maker", "distributor", "motif", "line", "number_rule", "date_code_rule")
ORDER = (*LISTED_FIRST, "piece", "decoration", "mark", "evidence", "opinion", "want", "kept_apart")
RULES = {"number_rule": "prefix", "date_code_rule": "code"}
RULED = ("line_id", "distributor_id", "means")  # two rules for one prefix or code may not both say one of it


def plan_records(tx: sa.Connection, archive: Archive, plan: MergePlan) -> None:
    """Find each of their present records here, or plan to bring it in."""
    theirs = [row for row in archive.rows("register_record") if row.get("removed_at") is None]
    _Matcher(tx, plan, [(row, json.loads(row["body"])) for row in theirs]).take_all()


class _Matcher:
    """The own present records, found by what makes two records one."""

    def __init__(self, tx: sa.Connection, plan: MergePlan, theirs: list[tuple[Row, Row]]) -> None:
        rows = [dict(row) for row in tx.execute(sa.select(table)).mappings()]
        self._plan = plan
        self._theirs = sorted(theirs, key=lambda pair: ORDER.index(pair[0]["kind"]))
        self._kinds = {row["id"]: row["kind"] for row in rows}
        present = [row | {"held": json.loads(row["body"])} for row in rows if row["removed_at"] is None]
        self._mine = {row["id"]: row for row in present}
        self._by_key = {(row["kind"], row["key"]): row["id"] for row in present if row["key"]}
        self._by_name = {key: row["id"] for row in present for key in _names(row["kind"], row["held"])}
        self._by_content = {_content(row["kind"], row["held"]): row["id"] for row in present}
        self._by_reading: dict[str, str] = {}
        self._decorations: dict[str, list[Row]] = {}
        self._their_decorations = Counter(b["piece_id"] for r, b in theirs if r["kind"] == "decoration")
        for row in present:
            if row["kind"] == "piece":
                self._by_reading |= {i: str(row["id"]) for i in _readings(row["held"])}
            elif row["kind"] == "decoration":
                self._decorations.setdefault(row["held"]["piece_id"], []).append(row)

    def take_all(self) -> None:
        """Decide on all of their records."""
        for row, body in self._theirs:
            self._take(row, body)
        for row in self._plan.new_records:  # what points at a record of its own kind, now that all are known
            row["body"] = map_ids(row["body"], self._plan)

    def _take(self, row: Row, body: Row) -> None:
        mapped = map_ids(body, self._plan)
        kind = row["kind"]
        if kind == "kept_apart" and mapped["one"] == mapped["other"]:
            return  # two of their pieces are one piece here
        same = self._find_same(row["id"], kind, mapped, body)
        if same is None and kind != "piece":  # two bare pieces may say the same and be two
            same = self._by_content.get(_content(kind, mapped))
        if same is None:
            self._add(row, kind, mapped)
            return
        self._plan.records[row["id"]] = same
        if same in self._mine:
            if kind == "piece":
                self._plan.same_pieces.append((self._mine[same]["held"]["number"], body["number"]))
            self._plan.disagreements += _compare(kind, self._mine[same], mapped)

    def _find_same(self, their_id: str, kind: str, mapped: Row, body: Row) -> str | None:
        if their_id in self._mine and self._kinds[their_id] == kind:
            return their_id
        if kind == "motif" and self._plan.motifs.get(their_id) in self._mine:
            return self._plan.motifs[their_id]
        if kind in NAMED:
            own = self._by_key.get((kind, str(columns_of(kind, mapped)["key"])))
            return own or next((self._by_name[n] for n in _names(kind, mapped) if n in self._by_name), None)
        if kind == "piece":
            return next((self._by_reading[i] for i in _readings(mapped) if i in self._by_reading), None)
        if kind in RULES:
            return self._find_rule(kind, mapped)
        return self._find_decoration(mapped, body) if kind == "decoration" else None

    def _find_decoration(self, mapped: Row, body: Row) -> str | None:
        """On an identical piece: the decoration of the same motif, or the only one where both have one."""
        held = self._decorations.get(mapped["piece_id"], [])
        same = [row for row in held if row["held"].get("motif_id") == mapped.get("motif_id")]
        lone = len(held) == self._their_decorations[body["piece_id"]] == 1
        chosen = same or (held if lone else [])
        return str(chosen[0]["id"]) if chosen else None

    def _find_rule(self, kind: str, mapped: Row) -> str | None:
        """The own rule that says of the same prefix or code what theirs says, or something else."""
        for record_id, row in self._mine.items():
            held = row["held"]
            if (
                row["kind"] == kind
                and held.get("maker_id") == mapped.get("maker_id")
                and write_number_key(held[RULES[kind]]) == write_number_key(mapped[RULES[kind]])
                and any(name in held and name in mapped for name in RULED)
            ):
                return str(record_id)
        return None

    def _add(self, row: Row, kind: str, mapped: Row) -> None:
        record_id = str(self._plan.motifs.get(row["id"], row["id"]) if kind == "motif" else row["id"])
        if self._kinds.get(record_id, kind) != kind:
            raise ValueError(f"{record_id!r} is a {kind} there and a {self._kinds[record_id]} here")
        key = columns_of(kind, mapped)["key"]
        if kind == "piece" and (kind, str(key)) in self._by_key:
            free = self._free_number(mapped["number"])
            self._plan.renumbered[mapped["number"]] = mapped["number"] = free
            key = columns_of(kind, mapped)["key"]
        if key is not None:
            self._by_key[kind, str(key)] = record_id
        if kind == "kept_apart":  # others may be two and say the same
            self._by_content[_content(kind, mapped)] = record_id
        self._plan.records[row["id"]] = record_id
        self._plan.new_records.append(row | {"id": record_id, "body": mapped})

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
            mapped[name] = plan.records.get(value) or plan.motifs.get(value, value)
        elif name in ("goes_with", "evidence_ids"):
            mapped[name] = list(dict.fromkeys(plan.records.get(i, i) for i in value))
        elif name == "photos":
            ids = [plan.readings.get(photo["reading_id"], photo["reading_id"]) for photo in value]
            mapped[name] = [photo | {"reading_id": i} for photo, i in zip(value, ids, strict=True)]
    if "one" in mapped:
        mapped["one"], mapped["other"] = sorted((mapped["one"], mapped["other"]))
    return mapped


def _names(kind: str, body: Row) -> list[tuple[str, str]]:
    """Every name and alias of a list record; those of lines with their maker."""
    if kind not in NAMED:
        return []
    whose = f"|{body.get('maker_id') or ''}" if kind == "line" else ""
    return [(kind, name + whose) for name in sorted(names_of(kind, body))]


def _content(kind: str, body: Row) -> str:
    if kind == "kept_apart":
        body = {name: body[name] for name in ("one", "other")}
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
