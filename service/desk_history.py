"""The log as a person reads it: who changed which field from what to what, and whether it can be undone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from service.desk_parts import Desk, Facts
from service.desk_words import say_field, say_value
from service.errors import NotFound
from service.register.search import name_ids

NOT_UNDOABLE = ("start", "refresh")


def list_history(desk: Desk, records: Iterable[tuple[str, str]], most: int) -> list[Facts]:
    """The latest changes of some records together, newest first, in words."""
    found: dict[str, Facts] = {}
    for kind, record_id in records:
        try:
            entries = desk.register.list_changes(None, kind, record_id, 1)["items"]
        except NotFound:  # evidence about a list, gone meanwhile
            continue
        for entry in entries:
            if entry["change"] in found:
                found[entry["change"]]["records"] += entry["records"]
            else:
                found[entry["change"]] = dict(entry)
    latest = sorted(found.values(), key=lambda entry: str(entry["at"]), reverse=True)[:most]
    return name_changes(desk, latest)


def name_changes(desk: Desk, entries: Iterable[Facts]) -> list[Facts]:
    """Log entries with names in place of ids, and what their button does."""
    held = list(entries)
    with desk.register.store.looking() as tx:
        names = name_ids(tx, {i for entry in held for i in _ids_in(entry)})
    return [_say_entry(entry, names) for entry in held]


def _ids_in(entry: Facts) -> Iterator[str]:
    for record in entry["records"]:
        yield record["id"]
        for name, pair in record["fields"].items():
            if name.endswith("_id") or name in ("one", "other"):
                yield from (value for value in pair if isinstance(value, str))


def _say_entry(entry: Facts, names: dict[str | None, str]) -> Facts:
    records = [_say_record(record, names) for record in entry["records"]]
    undoable = entry["undone_by"] is None and entry["action"] not in NOT_UNDOABLE
    return entry | {"records": records, "undoable": undoable, "at_said": _say_time(str(entry["at"]))}


def _say_record(record: Facts, names: dict[str | None, str]) -> Facts:
    def say(name: str, value: Any) -> str:
        pointed = isinstance(value, str) and (name.endswith("_id") or name in ("one", "other"))
        return names.get(value, str(value)) if pointed else say_value(value)

    fields = [
        {"label": say_field(name), "before": say(name, pair[0]), "after": say(name, pair[1])}
        for name, pair in record["fields"].items()
    ]
    return record | {"fields": fields, "label": names.get(record["id"], "")}


def _say_time(at: str) -> str:
    return at[:16].replace("T", " ") + " UTC"
