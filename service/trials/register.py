"""How fast a large register answers: ``python -m service.trials.register``.

Fills a register with invented pieces, then asks every list, search and view several times; nothing else of
the service takes part. Times are medians with the slowest of the repeats beside them.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from service.trials.running import RESULTS, describe_run

PIECES_A_CHANGE = 1000
MOTIFS, LINES = 60, 12


def fill(folder: Path, pieces: int) -> None:
    """Pieces with a decoration and a mark each, on a few lines, in order of their numbers."""
    from service.register.draft import Draft
    from service.store import open_store

    store = open_store(folder)
    try:
        with store.writing() as tx:
            draft = Draft(tx, "trial")
            for record in _lists():
                draft.put(record)
            draft.finish("add lists")
        for first in range(0, pieces, PIECES_A_CHANGE):
            with store.writing() as tx:
                draft = Draft(tx, "trial")
                for number in range(first, min(first + PIECES_A_CHANGE, pieces)):
                    for record in _piece(number):
                        draft.put(record)
                draft.finish("add pieces")
    finally:
        store.close()


def _lists() -> Iterator[Any]:
    from service.register.listed import DateCodeRule, Line, Maker, Motif

    yield Maker("maker", "Velderby Works")
    for number in range(LINES):
        yield Line(f"line{number}", f"Line {number}", "maker", years=f"{1920 + number}/{1950 + number}")
    for number in range(MOTIFS):
        yield Motif(
            f"motif{number}",
            f"Motif {number}",
            (f"Other name {number}", f"Wrack{number}"),
            ("open", "filled"),
        )
    for year in range(1920, 1963):
        yield DateCodeRule(f"code{year}", f"V{year % 100:02d}", str(year), "maker")


def _piece(number: int) -> Iterator[Any]:
    from service.register.records import Decoration, Mark, Measurement, Piece

    line = number % LINES
    kind = ("dinner plate", "cup", "saucer", "sugar bowl")[number % 4]
    size = (Measurement("diameter", 90.0 + number % 170),)
    yield Piece(
        f"p{number}", f"N{number}", kind, None, maker_id="maker", line_id=f"line{line}", measurements=size
    )
    metal: Any = "gold" if number % 3 else "platinum"
    motif = f"motif{(number * 7 + line) % MOTIFS}"
    yield Decoration(
        f"d{number}", f"p{number}", motif, "open", metal, "sound", (), None, f"L{line}-{number % 900}"
    )
    code = f"V{20 + (line + number % 30) % 43:02d}"
    yield Mark(f"m{number}", f"p{number}", f"VELDERBY {code} [...]", maker_id="maker", date_code=code)


def list_questions(register: Any, pieces: int) -> dict[str, Callable[[], Any]]:
    """Everything that is asked, by name."""
    return {
        "search: motif by another name": lambda: register.find_records("wrack17"),
        "search: words that every piece has": lambda: register.find_records("other name 17"),
        "search: silver": lambda: register.find_records("silver sugar"),
        "search: fragment of a number": lambda: register.find_records("L3-45"),
        "search: own number": lambda: register.find_records(f"N{pieces - 1787}"),
        "search: mark": lambda: register.find_records("velderby v33"),
        "search: nothing": lambda: register.find_records("zzz"),
        "search: pieces of a motif in platinum": lambda: register.find_records(
            "", filters={"motif": "Motif 5", "metal": "silver"}
        ),
        "list: pieces, first page": lambda: register.list_records("piece"),
        "list: pieces, a late page": lambda: register.list_records("piece", 900),
        "list: motifs": lambda: register.list_records("motif"),
        "list: changes": register.list_changes,
        "one piece": lambda: register.show_record("piece", f"N{pieces // 2}"),
        "list: overlaps": register.list_overlaps,
        "list: news": register.list_news,
        "list: conflicts": register.list_conflicts,
        "list: wants": register.list_wants,
        "list: duplicates": register.list_duplicates,
        "list: partners": register.list_partners,
        "grid": register.show_grid,
        "timeline": register.show_timeline,
    }


def run(pieces: int, repeats: int) -> dict[str, Any]:
    """Fill, ask, and say how long each took in milliseconds."""
    from service.register.register_actions import Register
    from service.store import open_store

    with tempfile.TemporaryDirectory() as place:
        start = time.monotonic()
        fill(Path(place), pieces)
        filled_s = round(time.monotonic() - start, 1)
        store = open_store(Path(place))
        try:
            times = {}
            for name, ask in list_questions(Register(store, "trial"), pieces).items():
                taken = [_time(ask) for _ in range(repeats)]
                times[name] = {
                    "first_ms": taken[0],
                    "median_ms": round(statistics.median(taken), 1),
                    "slowest_ms": max(taken),
                }
                print(f"{name}: {times[name]}", flush=True)
        finally:
            store.close()
    return {"pieces": pieces, "filled_s": filled_s, "repeats": repeats, "times": times}


def _time(ask: Callable[[], Any]) -> float:
    start = time.perf_counter()
    ask()
    return round(1000 * (time.perf_counter() - start), 1)


def main() -> None:
    """Run and write the result."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--pieces", type=int, default=50_000)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--out", type=Path, default=RESULTS / "register.json")
    told = parser.parse_args()
    result = {"trial": "answers of a large register"} | run(told.pieces, told.repeats) | describe_run(0)
    told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
