"""What the register's commands take and tell: FIELD=VALUE in, readable lines out."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from service.errors import RecordError
from service.register.described import describe_kinds
from service.register.register_actions import Register

Answer = Mapping[str, Any]
TUPLES = ("aliases", "variants", "goes_with", "evidence_ids")  # given as FIELD=one,two
# Short names of fields of what a new piece brings with it.
OF_DECORATION = ("motif", "variant", "metal", "state", "decoration_number", "decal")
OF_PRIVATE = ("price", "seller", "place", "bought")


def read_fields(pairs: Iterable[str]) -> dict[str, Any]:
    """FIELD=VALUE pairs; a value that begins with ``[`` or ``{`` is JSON, an empty one is null.

    Raises
    ------
    RecordError
        A pair has no ``=``, or a value is no JSON.
    """
    given: dict[str, Any] = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals:
            raise RecordError([f"{pair[:60]!r}: write FIELD=VALUE"])
        given[name.strip().replace("-", "_")] = _read_value(name, value.strip())
    return given


def _read_value(name: str, value: str) -> Any:
    field = name.strip().replace("-", "_")
    if value == "":
        return None
    if field in TUPLES and not value.startswith("["):
        return [part.strip() for part in value.split(",") if part.strip()]
    if value[0] in "[{" and field in ("decorations", "marks", *_NESTED):
        try:
            return json.loads(value)
        except ValueError as error:
            raise RecordError([f"{field}: this is no JSON ({error})"]) from error
    if field == "owned":
        return {"yes": True, "true": True, "no": False, "false": False}.get(value.casefold(), value)
    if field == "count":
        return int(value) if value.isdigit() else value
    return value


_NESTED = ("defects", "wear", "photos", "measurements", "private", "lines", *TUPLES)


def gather_piece(given: Mapping[str, Any]) -> dict[str, Any]:
    """A new piece with its first decoration and mark out of plain fields."""
    piece = dict(given)
    seen = {name: piece.pop(name) for name in OF_DECORATION if name in piece}
    if "decoration_number" in seen:
        seen["number"] = seen.pop("decoration_number")
    if seen:
        piece["decorations"] = [seen, *(piece.get("decorations") or [])]
    if "mark" in piece:
        piece["marks"] = [{"transcription": piece.pop("mark")}, *(piece.get("marks") or [])]
    private = {name: piece.pop(name) for name in OF_PRIVATE if name in piece}
    if private:
        piece["private"] = {**(piece.get("private") or {}), **private}
    return piece


def _add(desk: Register, given: argparse.Namespace) -> Answer:
    fields = read_fields(given.fields)
    kind = given.kind.replace("-", "_")
    return desk.add_record(kind, gather_piece(fields) if kind == "piece" else fields, given.new_names)


def _correct(desk: Register, given: argparse.Namespace) -> Answer:
    kind = given.kind.replace("-", "_")
    return desk.correct_record(kind, given.which, read_fields(given.fields), given.new_names)


def _add_about(kind: str) -> Callable[[Register, argparse.Namespace], Answer]:
    return lambda desk, given: desk.add_record(kind, {"about": given.about} | read_fields(given.fields))


def _find(desk: Register, given: argparse.Namespace) -> Answer:
    names = ("motif", "line", "maker", "distributor", "metal", "piece_kind")
    filters = {name: getattr(given, name) for name in names}
    kinds = (given.kind.replace("-", "_"),) if given.kind else ()
    return all_pages(
        lambda page: desk.find_records(" ".join(given.words), kinds, filters, page, given.private)
    )


def all_pages(ask: Callable[[int], dict[str, Any]]) -> dict[str, Any]:
    """Every page of a list as one."""
    answer = ask(1)
    items = list(answer["items"])
    for page in range(2, answer["pages"] + 1):
        items += ask(page)["items"]
    return answer | {"items": items, "page": 1, "pages": 1}


def _listed(name: str) -> Callable[[Register, argparse.Namespace], Answer]:
    return lambda desk, _: all_pages(getattr(desk, f"list_{name}"))


ASKED: Mapping[str, Callable[[Register, argparse.Namespace], Answer]] = {
    "add": _add,
    "correct": _correct,
    "evidence": _add_about("evidence"),
    "opinion": _add_about("opinion"),
    "remove": lambda desk, given: desk.remove_record(given.kind.replace("-", "_"), given.which),
    "list": lambda desk, given: all_pages(lambda p: desk.list_records(given.kind.replace("-", "_"), p)),
    "show": lambda desk, given: desk.show_record(given.kind.replace("-", "_"), given.which, given.private),
    "find": _find,
    "changes": lambda desk, given: desk.list_changes(given.since, given.kind, given.which),
    "kinds": lambda *_: describe_kinds(),
    "number": lambda desk, given: desk.read_number(given.text, given.maker),
    "date-code": lambda desk, given: desk.read_date_code(given.text, given.maker),
    "merges": lambda desk, given: desk.propose_merges(given.which),
    "merge": lambda desk, given: desk.merge_pieces(given.keep, given.drop),
    "apart": lambda desk, given: desk.refuse_merge(given.one, given.other, given.why),
    "order": lambda desk, _: desk.show_order(),
    **{name: _listed(name) for name in ("overlaps", "news", "conflicts", "wants", "duplicates", "partners")},
}


def tell(what: str, answer: Answer) -> str:
    """An answer in readable lines."""
    if what == "kinds":
        return "\n".join(_tell_kind(kind, told) for kind, told in answer.items())
    if "record" in answer:
        record = answer["record"]
        return f"{what}: {tell_name(record)}  (change {answer['change'] or 'none: nothing was different'})"
    if "sentence" in answer:
        return "\n".join([*(p["name"] for p in answer.get("places", ())), str(answer["sentence"])])
    if "meanings" in answer:
        said = [meaning["sentence"] for meaning in answer["meanings"]]
        return "\n".join(said) or "No rule written here fits it."
    if "items" in answer:
        lines = [_tell_item(item) for item in answer["items"]]
        return "\n".join([*lines, f"{answer.get('total', len(lines))} in all"])
    if "bracket" in answer:
        answer = {**answer, "bracket": answer["bracket"]["sentence"]}
    return "\n".join(_tell_fields(answer))


def _tell_kind(kind: str, fields: Mapping[str, Mapping[str, Any]]) -> str:
    """A kind with its fields; those with a star must be there."""
    named = (name.removesuffix("_id") + ("*" if told["required"] else "") for name, told in fields.items())
    return f"{kind}: {', '.join(named)}"


def tell_name(record: Answer) -> str:
    """A record in a few words."""
    naming = ("number", "name", "prefix", "code", "transcription", "citation", "what")
    own = [record.get(name) for name in naming]
    first = next((str(text) for text in own if text), str(record.get("id", "")))
    return f"{str(record['record_kind']).replace('_', ' ')} {first}"


def _tell_item(item: Answer) -> str:
    if "sentence" in item:
        return str(item["sentence"]) + (f" {item['settle']}" if item.get("settle") else "")
    if "change" in item and "action" in item:
        undone = "  (undone)" if item["undone_by"] else ""
        return f"{item['at']}  {item['who']}: {item['action']}  {item['change']}{undone}"
    if "similarity" in item and "one" in item:
        return f"{item['one']['label']} and {item['other']['label']}: {item['similarity']:.2f} alike"
    if "label" in item:
        return _tell_hit(item)
    return f"{tell_name(item)}  {item.get('id', '')}"


def _tell_hit(hit: Answer) -> str:
    """A search hit on one line."""
    said = [f"{hit['record_kind'].replace('_', ' ')} {hit['label'] or hit['id']}"]
    if hit["record_kind"] == "piece":
        said += [part for part in (hit["piece_kind"], hit["line"]) if part]
        for seen in hit["decorations"]:
            told = (seen[n] for n in ("motif", "variant", "metal", "number"))
            said.append(" ".join(str(part) for part in told if part))
    if hit.get("said"):
        said.append(f"“{hit['said']}”")
    return ", ".join(said)


def _tell_fields(answer: Answer, indent: str = "") -> list[str]:
    """Fields that hold something, one a line, what is inside indented."""
    lines = []
    for name, value in answer.items():
        if value in (None, [], "", {}):
            continue
        if isinstance(value, Mapping):
            lines += [f"{indent}{name}:", *_tell_fields(value, indent + "  ")]
        elif isinstance(value, list) and isinstance(value[0], Mapping):
            for entry in value:
                lines += [f"{indent}{name}:", *_tell_fields(entry, indent + "  ")]
        else:
            told = ", ".join(map(str, value)) if isinstance(value, list) else value
            lines.append(f"{indent}{name}: {told}")
    return lines


def tell_table(rows: Sequence[Sequence[str]]) -> str:
    """Rows in columns that line up."""
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))] if rows else []
    return "\n".join("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows)
