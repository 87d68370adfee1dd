"""The disk that forgets, and a short run of the power-cut trial; the full one is a command."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from service.trials.lost_writes import ForgetfulDisk, lay_down
from service.trials.power_cut import cut_often, record
from service.trials.system_calls import Op, has_tracer, read_trace

NEVER = random.Random(1)


def cut(*ops: Op, keep: float = 0.0) -> dict[str, bytes]:
    disk = ForgetfulDisk()
    for op in ops:
        disk.follow(op)
    return disk.cut(NEVER, keep)[0]


FILE = (Op("create", "/d/a"), Op("write", "/d/a", data=b"one"))
SYNC_FILE = (Op("sync start", "/d/a"), Op("sync", "/d/a"))
SYNC_FOLDER = (Op("sync start", "/d"), Op("sync", "/d"))


def test_what_was_not_synced_is_forgotten_or_kept_as_chance_has_it() -> None:
    assert cut(*FILE) == {}
    assert cut(*FILE, keep=1.0) == {"/d/a": b"one"}
    assert cut(*FILE, *SYNC_FILE) == {}  # the bytes are down, the name is not
    assert cut(*FILE, *SYNC_FOLDER) == {"/d/a": b""}  # the name is down, the bytes are not
    assert cut(*FILE, *SYNC_FILE, *SYNC_FOLDER) == {"/d/a": b"one"}


def test_a_rename_is_certain_once_the_folder_it_went_to_is_synced() -> None:
    rename = Op("rename", "/d/a", "/e/b")
    to_folder = (Op("sync start", "/e"), Op("sync", "/e"))
    before = (*FILE, *SYNC_FILE, *SYNC_FOLDER, rename)
    assert cut(*before) == {"/d/a": b"one"}
    assert cut(*before, *to_folder) == {"/e/b": b"one"}


def test_a_sync_covers_only_what_was_written_before_it_began() -> None:
    late = Op("write", "/d/a", at=3, data=b" two")
    during = (*FILE, SYNC_FILE[0], late, SYNC_FILE[1], *SYNC_FOLDER)
    assert cut(*during) == {"/d/a": b"one"}
    assert cut(*during, *SYNC_FILE) == {"/d/a": b"one two"}
    hole = (*FILE, *SYNC_FILE, *SYNC_FOLDER, Op("write", "/d/a", at=5, data=b"x"))
    assert cut(*hole, keep=1.0) == {"/d/a": b"one\0\0x"}
    assert cut(*hole, Op("truncate", "/d/a", at=2), keep=1.0) == {"/d/a": b"on"}


def test_a_trace_is_read_with_calls_cut_in_two_by_another_thread(tmp_path: Path) -> None:
    def shown(text: str) -> str:
        return "".join(f"\\x{byte:02x}" for byte in text.encode())

    answer = shown("HTTP/1.1 201 Created\r\ndate: x\r\nlocation: /api/gallery/ab12\r\n\r\n{}")
    mode = "O_WRONLY|O_CREAT|O_TRUNC, 0666"
    lines = [
        f'7  openat(AT_FDCWD<{shown("/")}>, "{shown("/d/a")}", {mode}) = 5<{shown("/d/a")}>',
        f'7  write(5<{shown("/d/a")}>, "{shown("on")}", 2) = 2',
        f'7  write(5<{shown("/d/a")}>, "{shown("e")}", 1 <unfinished ...>',
        f'8  pwrite64(6<{shown("/d/b")}>, "{shown("xy")}", 2, 10) = 2',
        "7  <... write resumed>) = 1",
        f"7  fsync(5<{shown('/d/a')}> <unfinished ...>",
        f'8  sendto(9<socket:[1]>, "{answer}", 99, 0, NULL, 0) = 99',
        "7  <... fsync resumed>) = 0",
        f'7  rename("{shown("/d/a")}", "{shown("/d/c")}") = 0',
        f'7  unlink("{shown("/d/none")}") = -1 ENOENT (No such file or directory)',
        f'7  write(1</dev/null>, "{shown("elsewhere")}", 9) = 9',
    ]
    (tmp_path / "trace").write_text("\n".join(lines) + "\n")
    assert read_trace(tmp_path / "trace", Path("/d")) == [
        Op("create", "/d/a"),
        Op("truncate", "/d/a"),
        Op("write", "/d/a", at=0, data=b"on"),
        Op("write", "/d/b", at=10, data=b"xy"),
        Op("write", "/d/a", at=2, data=b"e"),
        Op("sync start", "/d/a"),
        Op("answer", "ab12"),
        Op("sync", "/d/a"),
        Op("rename", "/d/a", "/d/c"),
    ]


def test_lost_folders_take_their_files_along(tmp_path: Path) -> None:
    lay_down({"/d/x/a": b"1", "/d/b": b"2"}, [], Path("/d"), tmp_path / "out")
    assert [p.name for p in (tmp_path / "out").rglob("*")] == ["b"]


@pytest.mark.skipif(not has_tracer(), reason="system calls cannot be traced here")
def test_what_was_acknowledged_survives_a_power_cut_and_the_trial_can_tell(tmp_path: Path) -> None:
    ops, asked = record(tmp_path, 8)
    assert len(asked) >= 8
    outcome = cut_often(ops, asked, tmp_path / "data", tmp_path, 24, 3)
    assert (outcome.lost, outcome.integrity_failures) == ([], [])
    assert outcome.with_acknowledged >= 12
    assert outcome.proven_order == sum(op.kind == "answer" for op in ops) >= len(asked)
    # The same run without the syncs of photos, of their names, or of the commits loses what it acknowledged.
    for forgotten in (".part", "/photos", "-wal"):
        careless = [op for op in ops if not (op.kind == "sync" and forgotten in op.path)]
        outcome = cut_often(careless, asked, tmp_path / "data", tmp_path / forgotten.strip("/"), 12, 3)
        assert outcome.lost or outcome.integrity_failures, forgotten
        assert outcome.proven_order < len(asked)
