"""What a server asked of the disk, and when it answered: a trace of its system calls (Linux, strace)."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from service.trials.running import ROOT

CALLS = (
    "openat,write,pwrite64,fsync,fdatasync,rename,renameat,renameat2,unlink,unlinkat,mkdir,mkdirat,"
    "ftruncate,sendto,sendmsg"
)
CONFIRMED = re.compile(rb"HTTP/1\.1 201 .*?location: /api/gallery/([0-9a-zA-Z_-]+)", re.S | re.I)


@dataclass(frozen=True)
class Op:
    """One step: ``kind`` is create, write, truncate, sync start, sync, rename, unlink, mkdir or answer.

    ``path`` and ``to`` are absolute; ``at`` is an offset or a size; ``data`` are bytes; an answer's ``path``
    is the id of the item that it acknowledges.
    """

    kind: str
    path: str
    to: str = ""
    at: int = 0
    data: bytes = b""


def has_tracer() -> bool:
    """Whether system calls can be traced here."""
    if sys.platform != "linux" or shutil.which("strace") is None:
        return False
    return subprocess.run(["strace", "-qq", "-o", "/dev/null", "true"], check=False).returncode == 0


def start_traced(trace: Path, data: Path, port: int) -> subprocess.Popen[bytes]:
    """The stand-in server with its system calls written to ``trace``."""
    program = (
        "import sys; from pathlib import Path; from service.trials.stand_in import serve_stand_in; "
        "serve_stand_in(Path(sys.argv[1]), int(sys.argv[2]))"
    )
    tracer = ["strace", "-f", "-qq", "-y", "-xx", "-s", "100000000", "-e", f"trace={CALLS}", "-o", str(trace)]
    return subprocess.Popen(
        [*tracer, sys.executable, "-c", program, str(data), str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
        start_new_session=True,
    )


def read_trace(trace: Path, folder: Path) -> list[Op]:
    """The steps that concern ``folder``, and the answers that acknowledge a confirmation, in order."""
    ops: list[Op] = []
    positions: dict[str, int] = {}
    for begins, ends, call in _join_halves(trace):
        name, arguments = call.split("(", 1)
        if begins:
            ops += _read_start(name, arguments, str(folder))
        if ends:
            ops += _read_end(name, arguments, str(folder), positions)
    return ops


def _join_halves(trace: Path) -> Iterator[tuple[bool, bool, str]]:
    """Each call as (it begins here, it ends here, its text); one cut in two by a thread comes twice."""
    waiting: dict[str, str] = {}
    with trace.open(encoding="ascii") as lines:
        for line in lines:
            thread, _, text = line.rstrip("\n").partition(" ")
            text = text.lstrip()
            if text.startswith("<... "):
                rest = text.split("resumed>", 1)[1]
                yield False, True, waiting.pop(thread, "(") + rest
            elif text.endswith("<unfinished ...>"):
                waiting[thread] = text.removesuffix("<unfinished ...>")
                yield True, False, text.removesuffix("<unfinished ...>")
            elif "(" in text:
                yield True, True, text


def _read_start(name: str, arguments: str, folder: str) -> list[Op]:
    """An answer counts from when it is begun; a sync covers what was written before it began."""
    if name in ("sendto", "sendmsg", "write") and "socket" in _decode(_between(arguments, "<", ">")):
        found = CONFIRMED.search(b"".join(_strings(arguments)))
        return [Op("answer", found.group(1).decode())] if found else []
    if name in ("fsync", "fdatasync"):
        path = _decode(_between(arguments, "<", ">"))
        return [Op("sync start", path)] if _belongs(path, folder) else []
    return []


def _read_end(name: str, arguments: str, folder: str, positions: dict[str, int]) -> list[Op]:
    result = arguments.rsplit(" = ", 1)[-1]
    if result.startswith("-"):
        return []
    given = arguments.rsplit(" = ", 1)[0]
    strings = [text.decode("utf-8", "surrogateescape") for text in _strings(given)]
    if name == "openat":
        return _read_open(given, strings[0], result, folder, positions)
    if name.startswith("rename"):
        ops = [Op("rename", strings[0], strings[1])]
    elif name.startswith("unlink"):
        ops = [Op("unlink", strings[0])]
    elif name.startswith("mkdir"):
        ops = [Op("mkdir", strings[0])]
    else:
        ops = _read_change(name, given, result, positions)
    return [op for op in ops if _belongs(op.path, folder)]


def _read_open(given: str, path: str, result: str, folder: str, positions: dict[str, int]) -> list[Op]:
    if not _belongs(path, folder):
        return []
    positions[result.split("<")[0]] = 0
    ops = [Op("create", path)] if "O_CREAT" in given else []
    return [*ops, Op("truncate", path)] if "O_TRUNC" in given else ops


def _read_change(name: str, given: str, result: str, positions: dict[str, int]) -> list[Op]:
    path = _decode(_between(given, "<", ">"))
    if name in ("fsync", "fdatasync"):
        return [Op("sync", path)]
    if name == "ftruncate":
        return [Op("truncate", path, at=int(given.rsplit(",", 1)[1].strip(" )")))]
    if name not in ("write", "pwrite64"):
        return []
    written = int(result.split()[0])
    data = b"".join(_strings(given))[:written]
    number = given.split("<")[0]
    if name == "pwrite64":
        return [Op("write", path, at=int(given.rsplit(",", 1)[1].strip(" )")), data=data)]
    at = positions.get(number, 0)
    positions[number] = at + written
    return [Op("write", path, at=at, data=data)]


def _belongs(path: str, folder: str) -> bool:
    return path == folder or path.startswith(f"{folder}/")


def _strings(text: str) -> list[bytes]:
    return [bytes.fromhex(part.replace("\\x", "")) for part in re.findall(r'"((?:\\x[0-9a-f]{2})*)"', text)]


def _decode(text: str) -> str:
    """A path as the tracer shows it behind a descriptor."""
    if not text.startswith("\\x"):
        return text
    return bytes.fromhex(text.replace("\\x", "")).decode("utf-8", "surrogateescape")


def _between(text: str, left: str, right: str) -> str:
    start = text.find(left)
    end = text.find(right, start)
    return text[start + 1 : end] if 0 <= start < end else ""
