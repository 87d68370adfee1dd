"""Several workers: lazily started, replaced when they die, and a folder read in order by all of them."""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from service.errors import ReaderStopped
from service.worker import Started
from service.workers import Workers, choose_count


def test_the_default_number_of_workers_fits_the_machine() -> None:
    assert 1 <= choose_count() <= (os.cpu_count() or 1)


def test_one_photo_after_the_other_takes_one_child(drop_plate: bytes) -> None:
    workers = Workers(2)
    try:
        for _ in range(2):
            assert workers.read(drop_plate, "r1", lambda version, recipe: None).facts["id"] == "r1"
        assert [worker.child_pid is not None for worker in workers._workers] == [True, False]
    finally:
        workers.close()


def test_photos_at_the_same_time_take_two_children_and_health_does_not_wait(drop_plate: bytes) -> None:
    workers = Workers(2)
    try:
        workers.wait_ready()
        threads = [
            threading.Thread(target=workers.read, args=(drop_plate, "r", lambda version, recipe: None))
            for _ in range(4)
        ]
        for thread in threads:
            thread.start()
        time.sleep(0.05)
        start = time.perf_counter()
        assert workers.wait_ready().recipe_id
        assert time.perf_counter() - start < 0.2
        assert workers.tell()["workers"] == 2
        for thread in threads:
            thread.join()
        assert all(worker.child_pid is not None for worker in workers._workers)
        assert workers.tell() == {"workers": 2, "busy": 0, "waiting": 0, "expected_wait_s": 0}
    finally:
        workers.close()


def test_a_child_killed_with_a_photo_in_hand_is_started_again_before_the_next_photo(
    drop_plate: bytes,
) -> None:
    workers = Workers(1)
    try:
        workers.wait_ready()
        first = workers._workers[0].child_pid
        assert first is not None
        os.kill(first, signal.SIGSTOP)
        threading.Timer(0.3, os.kill, (first, signal.SIGKILL)).start()
        with pytest.raises(ReaderStopped):
            workers.read(drop_plate, "r1", lambda version, recipe: None)
        assert workers._workers[0].child_pid not in (None, first)
        assert workers.read(drop_plate, "r2", lambda version, recipe: None).facts["id"] == "r2"
    finally:
        workers.close()


class SlowWorker:
    """Answers after a while; notes how many were at work at once."""

    at_once, most = 0, 0
    guard = threading.Lock()

    def read(self, data: bytes, *_: object) -> object:
        kind = type(self)
        with kind.guard:
            kind.at_once += 1
            kind.most = max(kind.most, kind.at_once)
        time.sleep(0.02 if len(data) % 2 else 0.001)
        with kind.guard:
            kind.at_once -= 1
        return type("New", (), {"facts": {"bytes": len(data)}})

    def start(self) -> None: ...

    def wait_ready(self) -> Started:
        return Started("x", None)

    def close(self) -> None: ...


def test_a_folder_is_read_by_all_workers_with_results_in_order(tmp_path: Path) -> None:
    from service.actions import Actions
    from service.folder import read_in_order

    names = []
    for number in range(1, 30):
        (tmp_path / f"{number:02d}.jpg").write_bytes(b"x" * number)
        names.append(str(tmp_path / f"{number:02d}.jpg"))
    names.insert(10, str(tmp_path / "missing.jpg"))
    actions = Actions(None, Workers(3, SlowWorker), "test")  # type: ignore[arg-type]
    found = list(read_in_order(actions, names))
    assert isinstance(found.pop(10), FileNotFoundError)
    assert [new.facts["bytes"] for new in found if not isinstance(new, Exception)] == list(range(1, 30))
    assert SlowWorker.most == 3


def test_the_command_reads_a_folder_with_two_workers_in_order_of_name(
    rimlight: Callable, drop_plate: bytes, star_plate: bytes, tmp_path: Path
) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    for name, data in (
        ("a.jpg", drop_plate),
        ("b.jpg", b"no photo"),
        ("c.jpg", star_plate),
        ("d.jpg", drop_plate),
    ):
        (folder / name).write_bytes(data)
    run = rimlight("read", folder, "--json", "--workers", "2", "--data", tmp_path / "data", "--empty")
    assert run.returncode == 1
    assert "b.jpg" in run.stderr and "4/4" in run.stderr  # the photo's reason, and the full progress bar
    lines = [json.loads(line) for line in run.stdout.splitlines()]
    assert [Path(line["file"]).name for line in lines] == ["a.jpg", "c.jpg", "d.jpg"]
    assert rimlight("read", folder, "--workers", "0").returncode == 2
