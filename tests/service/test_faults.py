"""Full, read-only, unwritable and too-small disks, met by the real server: said in words, nothing lost."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from service import items, ledger
from service.check import check_folder
from service.errors import StoreBusy, StoreError
from service.files import RESERVE_BYTES
from service.kept import NewReading
from service.store import DATABASE_NAME, Store, open_store

ROOT = Path(__file__).resolve().parents[2]
NOBODY = 65534


def is_well(folder: Path) -> bool:
    return check_folder(folder, False, lambda steps, _: steps).is_well


@pytest.fixture()
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "data")
    yield opened
    opened.close()


def make_reading(number: int) -> NewReading:
    photo = {"width": 4, "height": 3, "sha256": f"{number:064x}", "taken_at": None}
    facts = {"id": f"reading{number}", "photo": photo, "padding": "x" * 3000}
    return NewReading(facts, 10, b"photo %d" % number, "jpg", None, None, ())


def add(store: Store, number: int) -> None:
    new = make_reading(number)
    files = store.keep_files(new)
    with store.writing() as tx:
        store.insert_reading(tx, new, files)
        item = items.insert_item(tx, new.facts["id"], "Marram", {}, "none")
        ledger.log_change(tx, "test", "add", item, None)


def count_items(store: Store) -> int:
    with store.looking() as tx:
        return items.count_gallery(tx)["items"]


def test_a_database_that_runs_full_says_so_and_goes_on_once_there_is_room(store: Store) -> None:
    """``max_page_count`` makes SQLite meet its own "disk is full" at any write of a transaction."""
    add(store, 0)
    kept = 1
    with store.looking() as tx:
        pages = tx.exec_driver_sql("PRAGMA page_count").scalar()
    for room in range(12):
        with store._engine.connect() as connection:
            connection.exec_driver_sql(f"PRAGMA max_page_count = {pages + room}")
        try:
            add(store, room + 1)
            kept += 1
        except StoreError as error:
            assert "free some space" in str(error)
        assert count_items(store) == kept
    assert 1 < kept < 13
    with store._engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 1000000")
    add(store, 99)
    assert count_items(store) == kept + 1


# The system's own refusals at each step of writing a file down.
FAULTS = [(step, number) for step in ("open", "fsync", "replace", "mkdir") for number in (28, 30, 5, 13)]


@pytest.mark.parametrize(("step", "number"), FAULTS)
def test_whatever_step_of_a_file_fails_no_row_points_at_it(
    store: Store, monkeypatch: pytest.MonkeyPatch, step: str, number: int
) -> None:
    add(store, 0)

    def fail(*_: Any, **__: Any) -> Any:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patched:
        if step == "fsync":
            patched.setattr("service.files.os.fsync", fail)
        else:
            patched.setattr(f"service.files.Path.{step}", fail)
        with pytest.raises(StoreError, match="cannot be written"):
            add(store, 1)
    assert count_items(store) == 1
    add(store, 1)
    store.set_aside_leftovers()
    assert is_well(store.folder)


def test_the_last_room_of_a_disk_is_left_to_the_database(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(store.folder)._replace(free=1_000_000)
    monkeypatch.setattr("service.files.shutil.disk_usage", lambda _: usage)
    with pytest.raises(StoreError, match="1 MB are left"):
        add(store, 0)


def test_a_program_that_holds_the_database_is_waited_for_and_then_named(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(store, 0)
    other = sqlite3.connect(store.folder / DATABASE_NAME, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with store._engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA busy_timeout = 50")
    with pytest.raises(StoreBusy, match="Another program"):
        add(store, 1)
    assert count_items(store) == 1  # looking on is possible
    other.execute("ROLLBACK")
    other.close()
    add(store, 1)


def test_a_clock_set_back_loses_and_reorders_nothing_that_counts(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(store, 0)
    monkeypatch.setattr("service.store.now", lambda: "1999-01-01T00:00:00.000Z")
    monkeypatch.setattr("service.ledger.now", lambda: "1999-01-01T00:00:00.000Z")
    monkeypatch.setattr("service.items.now", lambda: "1999-01-01T00:00:00.000Z")
    add(store, 1)
    assert count_items(store) == 2
    with store.writing() as tx:
        undone = ledger.undo(tx, None, "test")
    assert undone["item"]["reading_id"] == "reading1"  # the last change, whatever the clock says
    assert is_well(store.folder)


# Real servers under real limits.

LIMITED = """
import os, resource, sys
kind, value, *command = sys.argv[1:]
if kind == "file size":
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(value), int(value)))
os.execv(sys.executable, [sys.executable, *command])
"""


@contextmanager
def serving(
    data: Path, *limit: str, prefix: tuple[str, ...] = ()
) -> Iterator[tuple[httpx.Client, subprocess.Popen]]:
    """A real server on the folder under a limit, and a client of it."""
    command = ["-m", "service.cli", "serve", "--port", "0", "--empty", "--data", str(data)]
    start = [*prefix, sys.executable, "-c", LIMITED, *limit, *command]
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    process = subprocess.Popen(
        start, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=ROOT
    )
    assert process.stdout is not None and process.stderr is not None
    try:
        first = process.stdout.readline()
        assert "http://" in first, process.stderr.read()
        with httpx.Client(base_url=first.split()[3], timeout=120) as client:
            yield client, process
    finally:
        process.terminate()
        process.wait(60)
        process.stdout.close()
        process.stderr.close()


needs_linux = pytest.mark.skipif(sys.platform != "linux", reason="needs Linux's limits")


@needs_linux
def test_a_photo_that_does_not_fit_is_refused_and_what_was_stored_stays(
    tmp_path: Path, drop_plate: bytes, rimlight: Callable
) -> None:
    """No file may grow past the limit: the upload, the photo or the database meets it in turn."""
    data = tmp_path / "data"
    with serving(data, "none", "0") as (client, _):
        reading = client.post("/api/readings", files={"photo": drop_plate}).json()["id"]
        address = f"/api/readings/{reading}/confirmation"
        assert client.post(address, json={"motif": "Marram"}).status_code == 201
    database = (data / DATABASE_NAME).stat().st_size
    for limit in (database + 4096, database + 600_000):
        with serving(data, "file size", str(limit)) as (client, process):
            refused = 0
            for number in range(30):
                answer = client.post(address, json={"motif": f"Marram {number}", "note": "x" * 900})
                assert answer.status_code in (201, 507), answer.text
                refused += answer.status_code == 507
            answer = client.post("/api/readings", files={"photo": drop_plate + bytes(limit)})
            assert answer.status_code == 507, answer.text
            assert answer.headers["content-type"] == "application/problem+json"
            assert refused or limit > database
            listed = client.get("/api/gallery").json()
            assert listed["total"] == 1
            assert client.get("/api/health").status_code == 200
            assert process.poll() is None
    with serving(data, "none", "0") as (client, _):
        assert client.get("/api/gallery").json()["total"] == 1
        assert client.post(address, json={"motif": "Tidewrack"}).status_code == 201
    assert rimlight("check", "--repair", "--data", data).returncode == 0
    assert is_well(data)


def _can_mount() -> bool:
    command = ["unshare", "-rm", "sh", "-c", "mount -t tmpfs -o size=1m tmpfs /mnt"]
    if shutil.which("unshare") is None:
        return False
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


@needs_linux
def test_on_a_disk_that_fills_up_the_server_refuses_and_keeps_what_it_has(
    tmp_path: Path, plates: Callable
) -> None:
    if not _can_mount():
        pytest.skip("this user may not mount a small disk of its own")
    disk = tmp_path / "disk"
    disk.mkdir()
    inside = f'mount -t tmpfs -o size=48m tmpfs {disk} && exec "$@"'
    prefix = ("unshare", "-rm", "sh", "-c", inside, "sh")
    with serving(disk / "data", "none", "0", prefix=prefix) as (client, process):
        first = client.post("/api/gallery", files={"photo": plates()}, data={"motif": "Marram"}).json()
        seen_from_here = Path(f"/proc/{process.pid}/root{disk}")
        filler = seen_from_here / "filler"
        filler.write_bytes(bytes(shutil.disk_usage(seen_from_here).free - RESERVE_BYTES + 1_000_000))
        answer = client.post("/api/gallery", files={"photo": plates(turn_deg=5)}, data={"motif": "Marram"})
        assert answer.status_code == 507
        assert "free some space" in answer.json()["detail"].lower()
        assert client.get("/api/gallery").json()["total"] == 1
        assert client.get(f"/api/gallery/{first['id']}/photo.jpg").status_code == 200
        # The reserve is for this: what needs no new file still works.
        assert client.delete(f"/api/gallery/{first['id']}").status_code == 204
        assert client.post("/api/undo").status_code == 200
        filler.unlink()
        answer = client.post("/api/gallery", files={"photo": plates(turn_deg=5)}, data={"motif": "Marram"})
        assert answer.status_code == 201


# As root nothing is read-only, so the program becomes somebody else once all of it is loaded.
AS_NOBODY = """
import os, sys
from service.cli import main
spare, locked, user = sys.argv[1:]
assert main(["gallery", "--empty", "--data", spare]) == 0
if os.geteuid() == 0:
    os.setgroups([]); os.setgid(int(user)); os.setuid(int(user))
sys.exit(main(["gallery", "--data", locked]))
"""


@needs_linux
@pytest.mark.parametrize("locks", ["the folder", "the files", "both"])
def test_a_folder_that_cannot_be_written_is_said_at_the_start(tmp_path: Path, locks: str) -> None:
    data = tmp_path / "data"
    open_store(data).close()
    for parent in (tmp_path, *tmp_path.parents[:2]):
        parent.chmod(0o755)
    for path in data.iterdir():
        path.chmod(0o444 if locks != "the folder" else 0o666)
    data.chmod(0o555 if locks != "the files" else 0o777)
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", AS_NOBODY, str(tmp_path / "spare"), str(data), str(NOBODY)]
    run = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
    data.chmod(0o755)
    assert "Traceback" not in run.stderr, run.stderr
    assert run.returncode == 2
    assert "check" in run.stderr and "rights" in run.stderr
