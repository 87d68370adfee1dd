"""A real server to try, what its processes hold in memory, and what a result says about where it was made."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import platform
import secrets
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
RESULTS = Path(__file__).parent / "results"
ANSWER_LIMIT_S = 300.0


@dataclass
class RunningServer:
    """A server process with its address."""

    host: str
    port: int
    process: subprocess.Popen[str]

    def is_alive(self) -> bool:
        """Whether the process runs and answers."""
        if self.process.poll() is not None:
            return False
        return ask(self, "GET", "/api/health")[0] == 200

    def memory_bytes(self) -> int | None:
        """Proportional set size of the server and all its children; None where the platform does not tell."""
        return measure_tree(self.process.pid)


@contextmanager
def serving(data_folder: Path, *options: str) -> Iterator[RunningServer]:
    """A server on a free loopback port with this data folder; stopped at the end."""
    command = [sys.executable, "-m", "service.cli", "serve", "--port", "0", "--data", str(data_folder)]
    process = subprocess.Popen(
        [*command, *options], stdout=subprocess.PIPE, text=True, cwd=ROOT, stderr=subprocess.DEVNULL
    )
    assert process.stdout is not None
    try:
        address = urlsplit(next(word for word in process.stdout.readline().split() if "://" in word))
        assert address.hostname is not None and address.port is not None
        server = RunningServer(address.hostname, address.port, process)
        wait_until(server.is_alive)
        yield server
    finally:
        process.terminate()
        process.wait(60)
        process.stdout.close()


def wait_until(fact: Any, limit_s: float = 120.0) -> None:
    """Wait until ``fact()`` holds."""
    end = time.monotonic() + limit_s
    while not fact():
        if time.monotonic() > end:
            raise TimeoutError("the server did not come up")
        time.sleep(0.1)


def ask(
    server: RunningServer, method: str, path: str, body: bytes = b"", headers: dict[str, str] | None = None
) -> tuple[int, dict[str, str], bytes]:
    """One request; status 0 where the connection broke."""
    connection = http.client.HTTPConnection(server.host, server.port, timeout=ANSWER_LIMIT_S)
    try:
        connection.request(method, path, body or None, headers or {})
        answer = connection.getresponse()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    except (OSError, http.client.HTTPException):
        return 0, {}, b""
    finally:
        connection.close()


def send_photo(
    server: RunningServer, data: bytes, headers: dict[str, str] | None = None, name: str = "a.jpg"
) -> tuple[int, dict[str, str], bytes]:
    """Post one photo to be read."""
    mark = secrets.token_hex(16)
    safe = "".join(c for c in name if c.isprintable() and c not in '"\\')
    head = f'--{mark}\r\nContent-Disposition: form-data; name="photo"; filename="{safe}"\r\n\r\n'
    body = head.encode() + data + f"\r\n--{mark}--\r\n".encode()
    kind = {"Content-Type": f"multipart/form-data; boundary={mark}"}
    return ask(server, "POST", "/api/readings", body, kind | (headers or {}))


def list_tree(pid: int) -> list[int]:
    """A process and its descendants (Linux only; elsewhere only itself)."""
    found, waiting = [], [pid]
    while waiting:
        each = waiting.pop()
        found.append(each)
        with contextlib.suppress(OSError):
            for task in Path(f"/proc/{each}/task").iterdir():
                waiting += [int(child) for child in (task / "children").read_text().split()]
    return found


def measure_tree(pid: int) -> int | None:
    """Bytes held by a process and its descendants, shared pages counted once; None where it is not told."""
    return sum(_told_bytes(each, "smaps_rollup", "Pss:") for each in list_tree(pid)) or None


def measure_peaks(pid: int, reset: bool = False) -> int | None:
    """Sum of the most bytes that each process of the tree ever held; with ``reset`` counting starts anew."""
    tree = list_tree(pid)
    if reset:
        for each in tree:
            with contextlib.suppress(OSError):
                Path(f"/proc/{each}/clear_refs").write_text("5")
    return sum(_told_bytes(each, "status", "VmHWM:") for each in tree) or None


def _told_bytes(pid: int, file: str, name: str) -> int:
    """What the kernel tells under that name; 0 where it does not, or the process has gone."""
    try:
        lines = Path(f"/proc/{pid}/{file}").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith(name)), 0)


def describe_run(seed: int) -> dict[str, Any]:
    """Seed, commit and machine of a result."""
    found = subprocess.run(
        ["git", "describe", "--always", "--dirty=+", "--abbrev=12"], cwd=ROOT, capture_output=True, text=True
    )
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return {
        "seed": seed,
        "commit": found.stdout.strip() or "unknown",
        "machine": f"{platform.machine()}, {os.cpu_count()} cores{load}, Python {platform.python_version()}",
    }


def spread_ms(times_s: list[float]) -> dict[str, float]:
    """Median, 95th and 99th percentile and the longest, in milliseconds."""
    shares = np.percentile(np.array(times_s) * 1000, [50, 95, 99, 100])
    return {
        name: round(float(value), 2)
        for name, value in zip(("median_ms", "p95_ms", "p99_ms", "longest_ms"), shares, strict=True)
    }


def write_result(path: Path, result: dict[str, Any]) -> None:
    """Keep a result and show it."""
    text = json.dumps(result, indent=1)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text + "\n", encoding="utf-8")
    print(text)
