"""``rimlight read --same-piece``: one answer from several photos of one piece."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Sequence

from service.actions import Actions
from service.errors import LabelError
from service.folder import read_whole_in_order
from service.kept import NewReading
from service.report import describe_reading, say_verdict
from service.same_piece import MOST_PHOTOS, pool_new

DONE, SOME_FAILED, WRONG_USE = 0, 1, 2


def read_same_piece(
    actions: Actions,
    names: Sequence[str],
    as_json: bool,
    show_progress: Callable[[list[str], str], Iterable[str]],
    diameter_mm: float | None = None,
) -> int:
    """Read the photos, say what each one tells, and print what they tell together; returns the exit code.

    A photo that cannot be read is named, and the others are still pooled.
    """
    if not 2 <= len(names) <= MOST_PHOTOS:
        print(f"rimlight: --same-piece takes 2 to {MOST_PHOTOS} photos, got {len(names)}", file=sys.stderr)
        return WRONG_USE
    readings: dict[str, NewReading] = {}
    found = read_whole_in_order(actions, names, diameter_mm=diameter_mm)
    for name, one in zip(show_progress(list(names), "reading"), found, strict=False):
        if isinstance(one, NewReading):
            readings[name] = one
        else:
            reason = one.strerror or "cannot be opened" if isinstance(one, OSError) else str(one)
            print(f"{name}: {reason}", file=sys.stderr)
    try:
        pooled = pool_new(actions, list(readings.values()))
    except LabelError as error:
        print(f"rimlight: {error}", file=sys.stderr)
        return SOME_FAILED
    if as_json:
        print(json.dumps(pooled | {"files": list(readings)}))
    else:
        for name, reading in readings.items():
            print(f"{name}: {say_verdict(reading.facts['trim'])}")
        print(describe_reading(f"{len(pooled['same_piece']['readings'])} photos of one piece", pooled))
        print("\nA visual opinion from photos: not an assay, an authentication or an appraisal.")
    return DONE if len(readings) == len(names) else SOME_FAILED
