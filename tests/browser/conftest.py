"""A real browser on a real server: pages in a phone's and a desk's size, and what a screen reader would meet.

``served`` and ``read_once`` are shared by all tests; who needs a folder of its own asks ``make_served``.
``phone`` and ``desk`` start on a blank page and take addresses without a host: ``phone.goto("/")``.
Screenshots are written only when RIMLIGHT_SHOTS names a folder. RIMLIGHT_CHROMIUM names another browser;
with RIMLIGHT_BROWSER_TESTS a machine without a browser fails instead of skipping.
"""

from __future__ import annotations

import functools
import importlib.resources
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, sync_playwright

ROOT = Path(__file__).resolve().parents[2]
DEMO_PHOTOS = ROOT / "service" / "demo" / "photos"
PHONE = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "is_mobile": True,
    "has_touch": True,
}
DESK = {"viewport": {"width": 1280, "height": 900}}
PATIENCE_MS = 15_000
# What Chromium itself writes where the server is away or refuses: answers that the pages deal with.
UNREACHED = ("Failed to load resource", "An unknown error occurred when fetching the script")
# Where browsers lie that are not on the path.
USUAL_PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
)
HOW_TO_GET_ONE = "install chromium (Debian: apt-get install chromium) or set RIMLIGHT_CHROMIUM to one"
QUIET = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Browser tests go last: while the driver runs, no other test could start an event loop of its own."""
    here = Path(__file__).parent
    items.sort(key=lambda item: here in item.path.parents)


def find_chromium() -> str | None:
    """Path of a Chromium-like browser, or None."""
    told = os.environ.get("RIMLIGHT_CHROMIUM")
    names = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "msedge")
    on_path = (shutil.which(name) for name in names)
    places = (place for place in USUAL_PLACES if Path(place).is_file())
    return told or next((path for path in (*on_path, *places) if path), None)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """However quiet the run: that the pages were not tried is said."""
    skipped = terminalreporter.stats.get("skipped", [])
    if any("NO BROWSER" in str(report.longrepr) for report in skipped):
        terminalreporter.write_line("NO BROWSER: the pages were not tested. " + HOW_TO_GET_ONE, red=True)


@pytest.fixture(scope="session")
def playwright() -> Iterator[Playwright]:
    with sync_playwright() as driver:
        yield driver


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of the browser; without one the tests are skipped, or fail where they must run."""
    path = find_chromium()
    if path is None:
        said = f"NO BROWSER: {HOW_TO_GET_ONE}"
        if os.environ.get("RIMLIGHT_BROWSER_TESTS"):
            pytest.fail(said)
        pytest.skip(said)
    return path


@pytest.fixture(scope="session")
def flags() -> list[str]:
    """Command line of the browser: silent, and without its sandbox only where root cannot have one."""
    is_root = hasattr(os, "geteuid") and os.geteuid() == 0
    return [*QUIET, *(["--no-sandbox"] if is_root else [])]


@pytest.fixture(scope="session")
def browser(playwright: Playwright, chromium: str, flags: list[str]) -> Iterator[Browser]:
    running = playwright.chromium.launch(executable_path=chromium, args=flags)
    yield running
    running.close()


def _environment() -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if name != "RIMLIGHT_DATA"}
    paths = [path for path in kept.get("PYTHONPATH", "").split(os.pathsep) if path]
    return kept | {"PYTHONPATH": os.pathsep.join([*paths, str(ROOT)])}


def run_rimlight(*arguments: object) -> str:
    """Run one command of the real command line; returns what it printed."""
    command = [sys.executable, "-m", "service.cli", *map(str, arguments)]
    run = subprocess.run(
        command, capture_output=True, text=True, env=_environment(), check=False, timeout=300, cwd=ROOT
    )
    assert run.returncode == 0, run.stderr
    return run.stdout


@dataclass
class Served:
    """A running server: where it is, its data folder, the lines it printed at its start."""

    url: str
    data: Path
    process: subprocess.Popen[str]

    @property
    def port(self) -> int:
        return int(self.url.rsplit(":", 1)[1])

    def client(self) -> httpx.Client:
        return httpx.Client(base_url=self.url, timeout=120)

    def read_line(self) -> str:
        """The next line of its terminal."""
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def stop(self) -> None:
        """Stop it and wait; again is no harm."""
        self.process.terminate()
        self.process.wait(60)
        assert self.process.stdout is not None
        self.process.stdout.close()


def start_served(data: Path, *options: str, port: int = 0) -> Served:
    command = [sys.executable, "-m", "service.cli", "serve", "--port", str(port), "--data", str(data)]
    process = subprocess.Popen(
        [*command, "--workers", "1", *options],
        stdout=subprocess.PIPE,
        text=True,
        env=_environment(),
        cwd=ROOT,
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    while line and "://127.0.0.1:" not in line:
        line = process.stdout.readline()
    assert line, "the server ended"
    return Served(next(word for word in line.split() if "://" in word).rstrip("/"), data, process)


@pytest.fixture()
def make_served() -> Iterator[Callable[..., Served]]:
    """Starts servers of a test's own, ``make_served(data, "--empty", port=0)``; they are stopped after it."""
    started: list[Served] = []

    def start(data: Path, *options: str, port: int = 0) -> Served:
        started.append(start_served(data, *options, port=port))
        return started[-1]

    yield start
    for running in started:
        running.stop()


@pytest.fixture(scope="session")
def lan_address() -> str:
    """This machine's address on a network, by which it is a stranger to itself."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737); nothing is sent
            address = str(probe.getsockname()[0])
        except OSError:
            address = ""
    if not address or address.startswith(("127.", "0.")):
        pytest.skip("this machine has no network address")
    return address


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """One server for all: the demo gallery and the demo register. Undo what a test changes here."""
    data = tmp_path_factory.mktemp("browser") / "data"
    run_rimlight("demo", "--data", data)
    running = start_served(data)
    yield running
    running.stop()


@pytest.fixture(scope="session")
def read_once(served: Served) -> Callable[[str], dict[str, Any]]:
    """``read_once("05-tidewrack-gold-rimmed-plate.jpg")``: a photo's reading, the same for all tests."""

    @functools.cache
    def read(name: str = "05-tidewrack-gold-rimmed-plate.jpg") -> dict[str, Any]:
        with served.client() as client:
            answer = client.post("/api/readings", files={"photo": (DEMO_PHOTOS / name).read_bytes()})
        assert answer.status_code == 201, answer.text
        reading: dict[str, Any] = answer.json()
        return reading

    return read


@pytest.fixture()
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """``open_page(url, PHONE, **options)``: a page of its own; a fault of our scripts fails the test."""
    contexts: list[tuple[BrowserContext, list[str]]] = []

    def start(base_url: str, size: dict[str, Any] = PHONE, **options: Any) -> Page:
        context = browser.new_context(base_url=base_url, **(size | options))
        context.set_default_timeout(PATIENCE_MS)
        faults: list[str] = []
        contexts.append((context, faults))
        context.on("weberror", lambda error: faults.append(str(error.error)))
        context.on(
            "console",
            lambda line: (
                faults.append(line.text)
                if line.type == "error" and not any(known in line.text for known in UNREACHED)
                else None
            ),
        )
        return context.new_page()

    yield start
    for context, _ in contexts:
        context.close()
    assert [fault for _, faults in contexts for fault in faults] == []


@pytest.fixture()
def phone(served: Served, open_page: Callable[..., Page]) -> Page:
    """A phone's page, 390 px wide, with touch."""
    return open_page(served.url, PHONE)


@pytest.fixture()
def desk(served: Served, open_page: Callable[..., Page]) -> Page:
    """A desk's page, 1280 px wide, with mouse and keyboard."""
    return open_page(served.url, DESK)


@pytest.fixture(scope="session")
def axe_source() -> str:
    """axe-core (MPL-2.0) as the test package carries it."""
    return (importlib.resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture()
def check_axe(axe_source: str) -> Callable[[Page], None]:
    """``check_axe(page)``: axe-core finds nothing, by all of its rules."""

    def check(page: Page) -> None:
        page.evaluate(axe_source)  # by the debugger: the page's own content policy stays as it is
        found = page.evaluate(
            "() => axe.run(document, {resultTypes: ['violations']}).then((r) => r.violations)"
        )
        said = [
            f"{rule['id']}: {rule['help']}: {node['html'][:160]} {node['failureSummary'][:300]}"
            for rule in found
            for node in rule["nodes"]
        ]
        assert said == [], "\n".join(said)

    return check


@pytest.fixture()
def shot() -> Callable[[Page, str], None]:
    """``shot(page, "start-phone")``: a picture of the whole page, when RIMLIGHT_SHOTS names a folder."""
    folder = os.environ.get("RIMLIGHT_SHOTS")

    def take(page: Page, name: str) -> None:
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)

    return take
