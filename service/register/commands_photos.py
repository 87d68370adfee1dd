"""``register own``, ``keep`` and ``mark``: a photo against the register, then into it."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from model.errors import PhotoError
from service.actions import Actions
from service.labels import check_labels
from service.register.commands_text import OF_DECORATION, gather_piece, read_fields, tell
from service.register.register_actions import Register
from service.settings import MAX_PHOTO_BYTES

DONE, SOME_FAILED = 0, 1


def own_or_keep(given: argparse.Namespace, actions: Actions, desk: Register) -> int:
    """Answer whether it is owned, or register it."""
    try:
        if given.what == "keep":
            return _keep(given, actions, desk)
        if given.what == "mark":
            return _suggest_mark(given, actions, desk)
        return _own(given, actions, desk)
    except (PhotoError, OSError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        print(f"{getattr(given, 'photo', given.what)}: {reason}", file=sys.stderr)
        return SOME_FAILED


def _own(given: argparse.Namespace, actions: Actions, desk: Register) -> int:
    answer = desk.find_owned(_find_reading(given.photo, actions))
    print(json.dumps(answer) if given.json else tell_owned(answer))
    return DONE


def _suggest_mark(given: argparse.Namespace, actions: Actions, desk: Register) -> int:
    answer = desk.suggest_mark(_find_reading(given.photo, actions))
    said = f"{answer['text'] or answer['reason']}\n{answer['caution']}\nreading {answer['reading_id']}"
    print(json.dumps(answer) if given.json else said)
    return DONE


def _find_reading(photo: str, actions: Actions) -> str:
    """The id of the photo's reading, made where a file is named."""
    path = Path(photo)
    if not path.is_file():
        return photo
    if path.stat().st_size > MAX_PHOTO_BYTES:
        raise OSError(None, f"expected at most {MAX_PHOTO_BYTES // 10**6} MB; export it smaller.")
    return str(actions.read_photo(path.read_bytes())["id"])


def tell_owned(answer: dict[str, Any]) -> str:
    """The answer in readable lines, the nearest pieces with it."""
    lines = [answer["said"]]
    lines += [_tell_near(near) for near in answer["candidates"]]
    lines.append(f"reading {answer['reading_id']}, answer {answer['answer']}")
    return "\n".join(lines)


def _tell_near(near: dict[str, Any]) -> str:
    told = [[s["motif"], s["variant"], s["metal"]] for s in near["decorations"]]
    seen = "; ".join(" ".join(part for part in parts if part) for parts in told) or "no decoration"
    metal = ", the other metal" if near["same_metal"] is False else ""
    kind = near["piece_kind"] or "piece"
    return f"  {near['label']}: {kind}, {seen}{metal}  ({near['similarity']:.2f})"


def _keep(given: argparse.Namespace, actions: Actions, desk: Register) -> int:
    fields = read_fields(given.fields)
    if given.motif:
        actions.confirm_reading(given.reading, check_labels({"motif": given.motif}))
    seen = {name: fields.pop(name) for name in OF_DECORATION if name in fields}
    if "decoration_number" in seen:
        seen["number"] = seen.pop("decoration_number")
    request: dict[str, Any] = {"answer": given.answer, "role": given.role, "new_names": given.new_names}
    request |= {"decoration": seen} if seen else {}
    request |= {"joins": given.joins} if given.joins else {}
    request |= {"piece": gather_piece(fields)} if fields else {}
    answer = desk.register_reading(given.reading, request)
    print(json.dumps(answer) if given.json else tell("kept", answer))
    return DONE
