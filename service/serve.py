"""Binds the socket, prints the address and runs the server until it is stopped."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime

import uvicorn

from service.actions import Actions
from service.backup.automatic import keep_backed_up
from service.backup.backups import Backups
from service.certificate import MadeCertificate
from service.demo_gallery import make_missing_pictures
from service.device_routes import pairing_address
from service.devices import Code, Devices
from service.folder_lock import ServingLock
from service.guard import Guard
from service.http import make_app
from service.pairing_code import draw_for_terminal
from service.second_place import list_second_backups
from service.serve_ways import BACKLOG, Certificate, Way, find_own_address, open_ways
from service.start_up import recover

ENDING_S = 10.0  # for requests of phones that are still being answered
QUIET_CONNECTION_S = 10  # a kept-open connection without a request


def serve_pages(
    actions: Actions,
    port: int,
    lan: bool,
    tls: Certificate | None = None,
    made: MadeCertificate | None = None,
) -> int:
    """Serve the page and the endpoint; ``port`` 0 takes a free one. Returns the exit code.

    ``tls``: everything is encrypted with it. ``made``: phones come in encrypted with it, one port up.

    Raises
    ------
    StoreError
        A port is taken, the certificate cannot be used, or another process serves this folder.
    """
    lock = ServingLock(actions.store.folder)
    try:
        for line in recover(actions.store, lock.ended_badly):
            print(f"rimlight: {line}", file=sys.stderr)
        ways = open_ways(port, lan, tls, made)
        try:
            return _serve_on(ways, actions, lock, made)
        finally:
            for way in ways:
                way.listener.close()
    finally:
        lock.release()


def _serve_on(ways: list[Way], actions: Actions, lock: ServingLock, made: MadeCertificate | None) -> int:
    home, network = ways[0], next((way for way in ways if way.lan), None)
    app = make_app(actions)
    devices: Devices = app.state.devices
    own = find_own_address() if network is not None else ""
    app.state.address = f"{network.scheme}://{own}:{network.port}" if network is not None else None
    print(f"Rimlight is at {home.scheme}://127.0.0.1:{home.port}/  (stop with Ctrl-C)", flush=True)
    lock.tell({"address": f"{home.scheme}://127.0.0.1:{home.port}/", "lan": app.state.address})
    if network is not None:
        used = made if network is not home else None
        app.state.certificate = used
        show_code(app.state.address, devices.make_code(), used)
        for line in _warn_about(used, own):
            print(f"rimlight: {line}", file=sys.stderr)
    stop = threading.Event()
    threading.Thread(target=make_missing_pictures, args=(actions, stop), daemon=True).start()
    backups = Backups(actions.store.folder)
    second = {"others": lambda: list_second_backups(actions.store)}
    threading.Thread(target=keep_backed_up, args=(backups, stop), kwargs=second, daemon=True).start()
    # The server stops by itself, then hands the signal on: this makes it end as Ctrl-C does, not in mid-air.
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _end)
    servers = [uvicorn.Server(_configure(way, Guard(app, devices if way.lan else None))) for way in ways]
    try:
        with _running_beside(servers[1:], ways[1:]):
            servers[0].run(sockets=[home.listener])
    except _Ended:
        pass
    finally:
        stop.set()
    return 0


def _configure(way: Way, guard: Guard) -> uvicorn.Config:
    return uvicorn.Config(
        guard,
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=True,
        proxy_headers=False,  # nobody may say for another where a request comes from
        lifespan="off",
        backlog=BACKLOG,
        timeout_keep_alive=QUIET_CONNECTION_S,
        ssl_certfile=way.tls.certificate if way.tls is not None else None,
        ssl_keyfile=way.tls.key if way.tls is not None else None,
    )


@contextlib.contextmanager
def _running_beside(servers: list[uvicorn.Server], ways: list[Way]) -> Iterator[None]:
    """Further servers in threads of their own, told to end with the first."""
    threads = [
        threading.Thread(target=server.run, kwargs={"sockets": [way.listener]}, daemon=True)
        for server, way in zip(servers, ways, strict=True)
    ]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        for server in servers:
            server.should_exit = True
        for thread in threads:
            thread.join(ENDING_S)


class _Ended(BaseException):
    """The process was asked to end."""


def _end(_signal: int, _frame: object) -> None:
    raise _Ended


def show_code(address: str, code: Code, made: MadeCertificate | None = None) -> None:
    """Print the pairing address, the code to type, and the QR code that carries both."""
    target = pairing_address(address, code.code)
    assert target is not None
    print(f"Pair a phone of this network: {target}")
    print(f"or open {address} there and type {code.code}; it works once, until {code.ends_at[11:16]} UTC.")
    with contextlib.suppress(UnicodeEncodeError):  # a terminal without block characters
        print(draw_for_terminal(target))
    print("A paired phone can read and change the gallery until you take that back with `rimlight devices`.")
    if made is not None:
        print(
            "Its browser warns at first: this machine made the certificate itself, so nobody vouches for it."
        )
        print(f"Go on if the fingerprint behind the warning is {made.fingerprint}.")
        print(f"Then {address}/certificate says how the phone trusts it; after that the page opens anywhere.")
    elif address.startswith("http:"):
        print("The network sees what is sent: pair only in a network that you trust. `rimlight certificate`")
        print("makes a certificate: then everything is encrypted, and the page opens on the phone anywhere.")
    sys.stdout.flush()


def _warn_about(made: MadeCertificate | None, own: str) -> list[str]:
    """What is wrong with the certificate today, as lines."""
    if made is None:
        return []
    if made.has_ended(datetime.now(UTC)):
        return [f"The certificate ended on {made.ends_at[:10]}: run `rimlight certificate` again."]
    if not made.holds_for(own):
        return [f"The certificate does not hold for {own}, today's address: run `rimlight certificate`."]
    return []
