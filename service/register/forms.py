"""Records from JSON and to JSON: every field checked on the way in, only what differs kept on the way out."""

from __future__ import annotations

import types
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from typing import Any, Literal, Union, cast, get_args, get_origin, get_type_hints

from service.errors import RecordError
from service.register.records import KINDS, Record

LONG_TEXTS = {"note", "description", "features", "transcription", "citation", "what", "suggestion", "why"}
LONGEST, LONGEST_LONG, MOST_ENTRIES = 200, 4000, 200
METAL_ALIASES = {"silver": "platinum"}  # old lists call the white metal silver

Body = dict[str, Any]
Faults = list[str]


def read_record(kind: str, record_id: str, given: Mapping[str, Any]) -> Record:
    """A checked record of this kind; blank texts count as not said.

    Raises
    ------
    RecordError
        Naming every field that cannot be used and why.
    """
    if kind not in KINDS:
        raise RecordError([f"kind: expected one of {', '.join(KINDS)}, got {kind[:40]!r}"])
    faults: Faults = []
    if given.get("id", record_id) != record_id:
        faults.append("id: it is chosen here and stays as it is")
    record = _read_fields(KINDS[kind], {**given, "id": record_id}, "", faults)
    if faults:
        raise RecordError(faults)
    return cast(Record, record)


def record_body(record: Record) -> Body:
    """All fields but the id that differ from their defaults, as plain JSON."""
    body: Body = _plain(record)
    del body["id"]
    return body


def load_record(kind: str, record_id: str, body: Mapping[str, Any]) -> Record:
    """A record that was stored before, without checks."""
    return cast(Record, _load(KINDS[kind], {**body, "id": record_id}))


def kind_of(record: Record) -> str:
    """The record's key in ``KINDS``."""
    return next(kind for kind, cls in KINDS.items() if type(record) is cls)


def full_json(record: Record, with_private: bool = False) -> Body:
    """All fields, as shown; what is private only where asked for."""
    shown: Body = {"record_kind": kind_of(record)} | _plain(record, whole=True)
    if not with_private:
        shown.pop("private", None)
    return shown


@cache
def _field_types(cls: Any) -> dict[str, Any]:
    hints = get_type_hints(cls)
    return {f.name: hints[f.name] for f in fields(cls)}


@cache
def _defaults(cls: Any) -> dict[str, Any]:
    return {f.name: f.default for f in fields(cls)}


def _plain(value: Any, whole: bool = False) -> Any:
    if isinstance(value, tuple):
        return [_plain(entry, whole) for entry in value]
    if not is_dataclass(value):
        return value
    defaults = _defaults(cast(Any, type(value)))
    held = {name: getattr(value, name) for name in defaults}
    return {n: _plain(v, whole) for n, v in held.items() if whole or v != defaults[n]}


@cache
def _nested(hint: Any) -> tuple[type[Any] | None, bool]:
    """The dataclass inside a field's type, and whether there are many of them."""
    if is_dataclass(hint):
        return cast("type[Any]", hint), False
    if get_origin(hint) is tuple:
        return _nested(get_args(hint)[0])[0], True
    if get_origin(hint) in (Union, types.UnionType):
        return _nested(next(a for a in get_args(hint) if a is not type(None)))
    return None, False


def _load(cls: Any, body: Mapping[str, Any]) -> Any:
    held = dict(body)
    for name, hint in _field_types(cls).items():
        if name in held and held[name] is not None:
            inner, many = _nested(hint)
            if many:
                entries = held[name] if inner is None else [_load(inner, entry) for entry in held[name]]
                held[name] = tuple(entries)
            elif inner is not None:
                held[name] = _load(inner, held[name])
    return cls(**held)


def _read_fields(cls: Any, given: Any, where: str, faults: Faults) -> Any:
    if not isinstance(given, Mapping):
        faults.append(f"{where.rstrip('.') or 'the record'}: expected an object with named fields")
        return None
    hints, defaults = _field_types(cls), _defaults(cls)
    for unknown in sorted(set(given) - set(hints)):
        faults.append(f"{where}{str(unknown)[:40]}: unknown field; there are {', '.join(hints)}")
    held, before = {}, len(faults)
    for name, hint in hints.items():
        value = _read_value(hint, given.get(name), f"{where}{name}", name, faults)
        if value is not None and value != ():
            held[name] = value
        elif defaults[name] is MISSING and not any(f.startswith(f"{where}{name}:") for f in faults):
            faults.append(f"{where}{name}: missing")
    return cls(**held) if len(faults) == before else None


def _read_value(hint: Any, given: Any, where: str, name: str, faults: Faults) -> Any:
    """The checked value, or None where nothing was given or a fault was noted."""
    if given is None:
        return None
    if get_origin(hint) in (Union, types.UnionType):
        hint = next(a for a in get_args(hint) if a is not type(None))
    if get_origin(hint) is tuple:
        return _read_entries(get_args(hint)[0], given, where, name, faults)
    if is_dataclass(hint):
        return _read_fields(cast("type[Any]", hint), given, f"{where}.", faults)
    if get_origin(hint) is Literal:
        return _read_choice(get_args(hint), given, where, faults)
    return _READERS[hint](given, where, name, faults)


def _read_entries(inner: Any, given: Any, where: str, name: str, faults: Faults) -> tuple[Any, ...] | None:
    if not isinstance(given, list | tuple):
        faults.append(f"{where}: expected a list")
        return None
    if len(given) > MOST_ENTRIES:
        faults.append(f"{where}: at most {MOST_ENTRIES} entries, got {len(given)}")
        return None
    read = [_read_value(inner, entry, f"{where}[{n}]", name, faults) for n, entry in enumerate(given)]
    return tuple(entry for entry in read if entry is not None)


def _read_choice(choices: tuple[str, ...], given: Any, where: str, faults: Faults) -> str | None:
    folded = given.strip().casefold() if isinstance(given, str) else given
    if "platinum" in choices and isinstance(folded, str):
        folded = METAL_ALIASES.get(folded, folded)
    if folded == "":
        return None
    if folded not in choices:
        faults.append(
            f"{where}: expected {', '.join(choices[:-1])} or {choices[-1]}, got {str(given)[:40]!r}"
        )
        return None
    return str(folded)


def _read_text(given: Any, where: str, name: str, faults: Faults) -> str | None:
    if not isinstance(given, str):
        faults.append(f"{where}: expected a text")
        return None
    text = unicodedata.normalize("NFC", given).strip()
    is_long = name in LONG_TEXTS
    allowed = "\n\t" if is_long else ""
    if any(unicodedata.category(char) in ("Cc", "Cs") and char not in allowed for char in text):
        faults.append(f"{where}: control characters are not allowed")
        return None
    longest = LONGEST_LONG if is_long else LONGEST
    if len(text) > longest:
        faults.append(f"{where}: at most {longest} characters, got {len(text)}")
        return None
    return text or None


def _read_flag(given: Any, where: str, _: str, faults: Faults) -> bool | None:
    if isinstance(given, bool):
        return given
    faults.append(f"{where}: expected true or false")
    return None


def _read_whole(given: Any, where: str, _: str, faults: Faults) -> int | None:
    if isinstance(given, int) and not isinstance(given, bool) and abs(given) <= 1_000_000:
        return given
    faults.append(f"{where}: expected a whole number")
    return None


def _read_number(given: Any, where: str, _: str, faults: Faults) -> float | None:
    if isinstance(given, int | float) and not isinstance(given, bool) and 0 < given <= 10_000:
        return float(given)
    faults.append(f"{where}: expected a number above 0 and at most 10000")
    return None


_READERS: Mapping[Any, Callable[[Any, str, str, Faults], Any]] = {
    str: _read_text,
    bool: _read_flag,
    int: _read_whole,
    float: _read_number,
}
