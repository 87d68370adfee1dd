"""Servers that are started, and killed with all their children, again and again."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

from service.trials.running import ROOT

COME_UP_S = 120.0
SMALLEST_BYTES = 20_000


class KilledServer:
    """One server at a time on one port. ``start_s``: about how long a start takes."""

    start_s = 0.25

    def __init__(self, port: int) -> None:
        self.port = port

    def start(self, data: Path) -> None:
        """Start a server on this folder; returns before it is up."""
        raise NotImplementedError

    def kill(self) -> None:
        """SIGKILL to its process group, and wait until it is gone."""
        raise NotImplementedError

    def close(self) -> None:
        """Leave nothing behind."""

    def make_photo(self, number: int) -> bytes:
        """A photo that was not sent before; most are small, some take many writes."""
        size = SMALLEST_BYTES << random.choices(range(8), weights=range(8, 0, -1))[0]
        return b"\xff\xd8\xff\xe0" + number.to_bytes(4, "big") + random.randbytes(size)

    def wait_up(self) -> None:
        """Wait until it takes connections."""
        end = time.monotonic() + COME_UP_S
        while time.monotonic() < end:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 5):
                return
            time.sleep(0.01)
        raise TimeoutError("the server did not come up")


class StandInServer(KilledServer):
    """The server with a stand-in for the reading step, forked from a process that has it loaded."""

    def __init__(self, port: int) -> None:
        super().__init__(port)
        self._maker = subprocess.Popen(
            [sys.executable, "-m", "service.trials.stand_in"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=ROOT,
        )
        self._pid = 0

    def start(self, data: Path) -> None:
        """Ask for one."""
        assert self._maker.stdin is not None and self._maker.stdout is not None
        self._maker.stdin.write(f"{data} {self.port}\n")
        self._maker.stdin.flush()
        self._pid = int(self._maker.stdout.readline())

    def kill(self) -> None:
        """Kill it; its maker says when it is gone."""
        assert self._maker.stdout is not None
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._pid, signal.SIGKILL)
            os.killpg(self._pid, signal.SIGKILL)
        self._maker.stdout.readline()

    def close(self) -> None:
        """End the maker."""
        assert self._maker.stdin is not None and self._maker.stdout is not None
        self._maker.stdin.close()
        self._maker.wait(30)
        self._maker.stdout.close()


class RealServer(KilledServer):
    """``rimlight serve`` with its reading process, in a process group of its own."""

    start_s = 4.0

    def __init__(self, port: int) -> None:
        super().__init__(port)
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, data: Path) -> None:
        """Start the command."""
        command = [sys.executable, "-m", "service.cli", "serve", "--empty", "--data", str(data)]
        self._process = subprocess.Popen(
            [*command, "--port", str(self.port)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=ROOT,
            start_new_session=True,
        )

    def kill(self) -> None:
        """Kill the group: the server and the process that reads."""
        assert self._process is not None
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()

    def make_photo(self, number: int) -> bytes:
        """A sample photo, each a little brighter in another place."""
        import cv2

        path = sorted((ROOT / "sample_images").glob("*.jpg"))[0]
        picture = cv2.resize(cv2.imread(str(path)), (960, 720), interpolation=cv2.INTER_AREA)
        y, x = divmod(number % (960 * 720), 960)
        picture[y : y + 4, x : x + 4] = 255
        return bytes(cv2.imencode(".jpg", picture)[1].tobytes())

    def close(self) -> None:
        """Nothing may be left running."""
        if self._process is not None and self._process.poll() is None:
            self.kill()
