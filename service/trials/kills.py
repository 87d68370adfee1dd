"""Kills the whole server at random moments while two clients confirm, and looks for what was lost.

``python -m service.trials.kills --kills 1000`` kills the stand-in server: the real store, routes, guard,
start and recovery with a reading step that takes no time. ``--reader real`` kills ``rimlight serve`` with
its reading process. Each round ends with SIGKILL to the server's whole process group; then every acknowledged
item of the round is looked up in the database and its photo, strip and vectors compared; what was under way
is retried on the next server with its key.
"""

from __future__ import annotations

import argparse
import random
import shutil
import socket
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.trials.acknowledged import Asked, Client, count_lost, find_double
from service.trials.killed_server import KilledServer, RealServer, StandInServer
from service.trials.running import RESULTS, describe_run, write_result

SEED = 1909
CLIENTS = 2
LONGEST_LIFE_S = 0.6  # of a stand-in server after its first answer
# Of the rounds: the clock starts with the first acknowledgement, so that a busy machine gets that far too.
LATE_SHARE = 0.6
FIRST_ANSWER_LIMIT_S = 60.0
EARLY_SHARE = 0.15  # of the rounds: killed while still starting, every other one in a new folder
ROUNDS_A_FOLDER = 100  # then a new one: every size from empty on, and kills of first starts
CHECK_EVERY = 25  # rounds between two whole checks of the folder


@dataclass
class Tally:
    """What happened so far."""

    kills: int = 0
    early: int = 0
    acknowledged: int = 0
    retried: int = 0
    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    integrity_failures: list[str] = field(default_factory=list)
    leftovers: int = 0
    checks: int = 0


def run_kills(kills: int, seed: int, server: KilledServer, folder: Path, life_s: float) -> Tally:
    """Kill that often; everything is kept in ``folder``, which grows."""
    chance, tally, data = random.Random(seed), Tally(), folder / "data-0"
    clients = [Client(server.port, number, server.make_photo) for number in range(CLIENTS)]
    for kill in range(kills):
        early = chance.random() < EARLY_SHARE
        if kill % ROUNDS_A_FOLDER == 0 or (early and chance.random() < 0.5):
            _check(data, tally)
            data = folder / f"data-{kill}"
            for client in clients:
                client.forget()
        asked = _live_once(server, data, clients, chance, early, life_s)
        tally.kills += 1
        tally.early += early
        _judge(data, asked, tally)
        if kill % CHECK_EVERY == CHECK_EVERY - 1:
            _check(data, tally)
    _check(data, tally)
    return tally


def _live_once(
    server: KilledServer, data: Path, clients: list[Client], chance: random.Random, early: bool, life_s: float
) -> list[Asked]:
    """One life of a server with its clients; returns what they asked."""
    server.start(data)
    stop = threading.Event()
    threads = [threading.Thread(target=client.confirm_until, args=(stop,)) for client in clients]
    for thread in threads:
        thread.start()
    if not early:
        server.wait_up()
        _wait_for_answer(clients, FIRST_ANSWER_LIMIT_S if chance.random() < LATE_SHARE else 0.0)
    time.sleep(chance.random() * (server.start_s if early else life_s))
    server.kill()
    stop.set()
    for thread in threads:
        thread.join()
    return [asked for client in clients for asked in client.take_asked()]


def _wait_for_answer(clients: list[Client], limit_s: float) -> None:
    end = time.monotonic() + limit_s
    while time.monotonic() < end and not any(client.count_answered() for client in clients):
        time.sleep(0.005)


def _judge(data: Path, asked: list[Asked], tally: Tally) -> None:
    answered = [each for each in asked if each.item_id is not None]
    tally.acknowledged += len(answered)
    tally.retried += sum(each.is_retry for each in answered)
    if answered:
        tally.lost += count_lost(data, answered)
        tally.doubled += find_double(data)


def _check(data: Path, tally: Tally) -> None:
    from service.check import check_folder

    if not (data / "rimlight.sqlite3").is_file():
        return
    report = check_folder(data, False, lambda steps, _: steps)
    tally.checks += 1
    tally.leftovers += sum(finding.kind == "leftover file" for finding in report.findings)
    tally.integrity_failures += [
        f"{f.kind}: {f.where}: {f.text}" for f in report.findings if f.kind != "leftover file"
    ]


def describe(tally: Tally, reader: str, seconds: float, seed: int) -> dict[str, Any]:
    """The result of a run."""
    step = "replaced by one that takes no time" if reader == "stand-in" else "the product's own"
    return {
        "trial": "SIGKILL to the whole server at random moments while two clients confirm",
        "reading step": step,
        "storage, routes, guard, start and recovery": "the product's own",
        "kills": tally.kills,
        "of them while starting": tally.early,
        "acknowledged confirmations": tally.acknowledged,
        "of them retries of what a kill interrupted": tally.retried,
        "acknowledged items lost or not in agreement": len(tally.lost),
        "items stored twice": len(tally.doubled),
        "whole checks of the folder": tally.checks,
        "integrity failures": len(tally.integrity_failures),
        "leftover files found by the checks": tally.leftovers,
        "examples": (tally.lost + tally.doubled + tally.integrity_failures)[:5],
        "seconds": round(seconds),
        **describe_run(seed),
    }


def free_port() -> int:
    """A port that nobody uses now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m service.trials.kills", description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--reader", choices=("stand-in", "real"), default="stand-in")
    parser.add_argument("--life", type=float, default=None, help="longest life of a server in seconds")
    parser.add_argument("--out", type=Path, default=None)
    given = parser.parse_args()
    kind = StandInServer if given.reader == "stand-in" else RealServer
    life_s = given.life or (LONGEST_LIFE_S if given.reader == "stand-in" else 6.0)
    folder, began = Path(tempfile.mkdtemp(prefix="kills-")), time.monotonic()
    server = kind(free_port())
    try:
        tally = run_kills(given.kills, given.seed, server, folder, life_s)
    finally:
        server.close()
    result = describe(tally, given.reader, time.monotonic() - began, given.seed)
    name = "kills" if given.reader == "stand-in" else "kills-real-reader"
    write_result(given.out or RESULTS / f"{name}.json", result)
    bad = tally.lost or tally.doubled or tally.integrity_failures
    if not bad:
        shutil.rmtree(folder)
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
