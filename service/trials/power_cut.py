"""Cuts the power at many moments of one recorded run, and looks for what had been acknowledged before.

``python -m service.trials.power_cut`` records the system calls of a server (the real store, routes and
guard; a reading step that takes no time) while a client confirms, and replays them on a disk that forgets
what was not synced. Each cut leaves a folder; it is opened, recovered and checked by the product itself.
Needs strace.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.check import check_folder
from service.folder_lock import read_serving
from service.store import open_store
from service.trials.acknowledged import Asked, Client, count_lost
from service.trials.killed_server import KilledServer
from service.trials.kills import free_port
from service.trials.lost_writes import ForgetfulDisk, lay_down
from service.trials.running import RESULTS, describe_run, write_result
from service.trials.system_calls import Op, has_tracer, read_trace, start_traced

SEED = 77
CUTS, CONFIRMATIONS = 400, 150
RECORD_LIMIT_S = 300.0
# Of the steps not yet certain at the cut: all lost, all kept, or each by chance.
KEEP_SHARES = (0.0, 0.0, 0.5, 0.9, 1.0)
# A cut may leave these, and a start deals with them: nothing acknowledged is among them.
HARMLESS = ("leftover file", "cached picture cut off")


@dataclass
class Outcome:
    """What the cuts showed."""

    cuts: int = 0
    with_acknowledged: int = 0
    looked_up: int = 0
    lost: list[str] = field(default_factory=list)
    integrity_failures: list[str] = field(default_factory=list)
    proven_order: int = 0


def record(folder: Path, confirmations: int) -> tuple[list[Op], list[Asked]]:
    """One client confirms under the tracer; returns the steps and everything acknowledged."""
    trace, port = folder / "trace.txt", free_port()
    process = start_traced(trace, folder / "data", port)
    client, stop = Client(port, 1, KilledServer(port).make_photo), threading.Event()
    worker = threading.Thread(target=client.confirm_until, args=(stop,))
    worker.start()
    end = time.monotonic() + RECORD_LIMIT_S
    while client.count_answered() < confirmations and time.monotonic() < end:
        time.sleep(0.05)
    stop.set()
    worker.join()
    held = read_serving(folder / "data")
    if held is not None:
        os.kill(held["process"], signal.SIGKILL)  # the tracer writes down what it has, and ends
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(30)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    asked = [each for each in client.take_asked() if each.item_id is not None]
    return read_trace(trace, folder / "data"), asked


def cut_often(
    ops: list[Op], asked: list[Asked], recorded: Path, folder: Path, cuts: int, seed: int
) -> Outcome:
    """Cut right after answers with everything unsynced lost, then at random moments.

    ``recorded``: the data folder of the recording; what each cut leaves of it is laid down in ``folder``.
    """
    chance, outcome = random.Random(seed), Outcome()
    answers = [place for place, op in enumerate(ops) if op.kind == "answer"]
    moments = [(place, 0.0) for place in chance.sample(answers, min(len(answers), cuts // 2))]
    while len(moments) < cuts:
        moments.append((chance.randrange(len(ops)), chance.choice(KEEP_SHARES)))
    by_id = {each.item_id: each for each in asked}
    for place, disk, keep_share in _follow(ops, sorted(moments)):
        files, folders = disk.cut(chance, keep_share)
        before = [by_id[op.path] for op in ops[: place + 1] if op.kind == "answer" and op.path in by_id]
        target = folder / f"cut-{outcome.cuts}"
        lay_down(files, folders, recorded, target)
        _judge(target, before, outcome)
    outcome.proven_order = sum(is_in_order(ops, place) for place in answers)
    return outcome


def _follow(ops: list[Op], moments: list[tuple[int, float]]) -> Iterator[tuple[int, ForgetfulDisk, float]]:
    disk, done = ForgetfulDisk(), 0
    for place, keep_share in moments:
        for op in ops[done : place + 1]:
            disk.follow(op)
        done = max(done, place + 1)
        yield place, disk, keep_share


def _judge(target: Path, before: list[Asked], outcome: Outcome) -> None:
    outcome.cuts += 1
    outcome.with_acknowledged += bool(before)
    outcome.looked_up += len(before)
    try:
        open_store(target).close()  # recovers, or makes the tables that the cut prevented
        report = check_folder(target, False, lambda steps, _: steps)
        found = [f"{f.kind}: {f.text}" for f in report.findings if f.kind not in HARMLESS]
        lost = count_lost(target, before)
    except Exception as error:  # whatever it is, it is a failure of this cut
        found, lost = [f"{type(error).__name__}: {error}"], []
    outcome.integrity_failures += found
    outcome.lost += lost
    if not found and not lost:
        shutil.rmtree(target)


def is_in_order(ops: list[Op], answer: int) -> bool:
    """Whether, before this answer, its photo was synced and named for certain, then the commit was synced.

    The photo is the last one renamed before the answer: the client sends and confirms one after the other.
    """
    renames = [p for p in range(answer) if ops[p].kind == "rename" and "/photos/" in ops[p].to]
    if not renames:
        return False
    named, part, photo = renames[-1], ops[renames[-1]].path, ops[renames[-1]].to
    file_synced = any(op.kind == "sync" and op.path == part for op in ops[:named])
    above = photo.rpartition("/")[0]
    places = [p for p in range(named, answer) if ops[p].kind == "sync" and ops[p].path == above]
    commits = [p for p in range(answer) if ops[p].kind == "write" and ops[p].path.endswith("-wal")]
    synced = [p for p in range(answer) if ops[p].kind == "sync" and ops[p].path.endswith("-wal")]
    return bool(file_synced and places and commits and synced) and places[0] < commits[-1] < synced[-1]


def describe(outcome: Outcome, asked: int, ops: int, seconds: float, seed: int) -> dict[str, Any]:
    """The result of a run."""
    return {
        "trial": "power cut: system calls replayed on a disk that forgets what was not synced",
        "reading step": "replaced by one that takes no time",
        "storage, routes, guard and recovery": "the product's own",
        "steps recorded": ops,
        "acknowledged confirmations in the recording": asked,
        "of them with file synced, folder synced, commit synced, then the answer": outcome.proven_order,
        "power cuts": outcome.cuts,
        "of them with acknowledged items before them": outcome.with_acknowledged,
        "acknowledged items looked up": outcome.looked_up,
        "acknowledged items lost or not in agreement": len(outcome.lost),
        "integrity failures": len(outcome.integrity_failures),
        "examples": (outcome.lost + outcome.integrity_failures)[:5],
        "seconds": round(seconds),
        **describe_run(seed),
    }


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m service.trials.power_cut", description=__doc__)
    parser.add_argument("--cuts", type=int, default=CUTS)
    parser.add_argument("--confirmations", type=int, default=CONFIRMATIONS, help="how many are recorded")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--out", type=Path, default=RESULTS / "power_cut.json")
    given = parser.parse_args()
    if not has_tracer():
        print("system calls cannot be traced here: install strace (Linux)")
        return 2
    folder, began = Path(tempfile.mkdtemp(prefix="power-cut-")), time.monotonic()
    ops, asked = record(folder, given.confirmations)
    outcome = cut_often(ops, asked, folder / "data", folder, given.cuts, given.seed)
    write_result(given.out, describe(outcome, len(asked), len(ops), time.monotonic() - began, given.seed))
    bad = outcome.lost or outcome.integrity_failures or outcome.proven_order < len(asked)
    if not bad:
        shutil.rmtree(folder)
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
