"""Every kind of record with its fields: what a caller may send, made from the records themselves."""

from __future__ import annotations

import types
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from service.register.links import POINTS_TO
from service.register.records import KINDS

_TYPES = {str: "text", bool: "true or false", int: "whole number", float: "number"}


@cache
def describe_kinds() -> dict[str, dict[str, dict[str, Any]]]:
    """For each kind its fields: type, choices, what it points to, whether it must be there."""
    return {kind: _describe(cls, POINTS_TO.get(kind, {})) for kind, cls in KINDS.items()}


def _describe(cls: Any, points_to: Any) -> dict[str, dict[str, Any]]:
    hints = get_type_hints(cls)
    described = {}
    for field in fields(cls):
        if field.name != "id":
            told = _describe_type(hints[field.name]) | {"required": field.default is MISSING}
            if field.name in points_to:
                told |= {"names": points_to[field.name]}
            described[field.name] = told
    return described


def _describe_type(hint: Any) -> dict[str, Any]:
    if get_origin(hint) in (Union, types.UnionType):
        hint = next(part for part in get_args(hint) if part is not type(None))
    if get_origin(hint) is tuple:
        return {"type": "list", "of": _describe_type(get_args(hint)[0])}
    if get_origin(hint) is Literal:
        return {"type": "choice", "choices": list(get_args(hint))}
    if is_dataclass(hint):
        return {"type": "fields", "fields": _describe(hint, {})}
    return {"type": _TYPES[hint]}
