"""Binds the socket, prints the address and runs the server until it is stopped."""

from __future__ import annotations

import contextlib
import signal
import socket
import ssl
import sys
import threading
from dataclasses import dataclass

import uvicorn

from service.actions import Actions
from service.backup.automatic import keep_backed_up
from service.backup.backups import Backups
from service.demo_gallery import make_missing_pictures
from service.device_routes import pairing_address
from service.devices import Code, Devices
from service.errors import StoreError
from service.folder_lock import ServingLock
from service.guard import Guard
from service.http import make_app
from service.pairing_code import draw_for_terminal
from service.start_up import recover

# What may wait for the server to take it; further connections are turned away by the system.
BACKLOG = 128
QUIET_CONNECTION_S = 10  # a kept-open connection without a request


@dataclass(frozen=True)
class Certificate:
    """Files of a certificate and its key (PEM): with them everything travels encrypted."""

    certificate: str
    key: str


def serve_pages(actions: Actions, port: int, lan: bool, tls: Certificate | None = None) -> int:
    """Serve the page and the endpoint; ``port`` 0 takes a free one. Returns the exit code.

    Raises
    ------
    StoreError
        The port is taken, the certificate cannot be used, or another process serves this folder.
    """
    if tls is not None:
        _check_certificate(tls)
    lock = ServingLock(actions.store.folder)
    try:
        for line in recover(actions.store, lock.ended_badly):
            print(f"rimlight: {line}", file=sys.stderr)
        listener = _bind("0.0.0.0" if lan else "127.0.0.1", port)
        try:
            return _serve_on(listener, actions, lan, lock, tls)
        finally:
            listener.close()
    finally:
        lock.release()


def _serve_on(
    listener: socket.socket, actions: Actions, lan: bool, lock: ServingLock, tls: Certificate | None
) -> int:
    port, scheme = listener.getsockname()[1], "http" if tls is None else "https"
    app = make_app(actions)
    devices: Devices = app.state.devices
    app.state.address = f"{scheme}://{_find_own_address()}:{port}" if lan else None
    print(f"Rimlight is at {scheme}://127.0.0.1:{port}/  (stop with Ctrl-C)", flush=True)
    lock.tell({"address": f"{scheme}://127.0.0.1:{port}/", "lan": app.state.address})
    if app.state.address is not None:
        show_code(app.state.address, devices.make_code())
    config = uvicorn.Config(
        Guard(app, devices if lan else None),
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=True,
        proxy_headers=False,  # nobody may say for another where a request comes from
        lifespan="off",
        backlog=BACKLOG,
        timeout_keep_alive=QUIET_CONNECTION_S,
        ssl_certfile=tls.certificate if tls is not None else None,
        ssl_keyfile=tls.key if tls is not None else None,
    )
    stop = threading.Event()
    threading.Thread(target=make_missing_pictures, args=(actions, stop), daemon=True).start()
    backups = Backups(actions.store.folder)
    threading.Thread(target=keep_backed_up, args=(backups, stop), daemon=True).start()
    # The server stops by itself, then hands the signal on: this makes it end as Ctrl-C does, not in mid-air.
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _end)
    try:
        uvicorn.Server(config).run(sockets=[listener])
    except _Ended:
        pass
    finally:
        stop.set()
    return 0


class _Ended(BaseException):
    """The process was asked to end."""


def _end(_signal: int, _frame: object) -> None:
    raise _Ended


def show_code(address: str, code: Code) -> None:
    """Print the pairing address, the code to type, and the QR code that carries both."""
    target = pairing_address(address, code.code)
    assert target is not None
    print(f"Pair a phone of this network: {target}")
    print(f"or open {address} there and type {code.code}; it works once, until {code.ends_at[11:16]} UTC.")
    with contextlib.suppress(UnicodeEncodeError):  # a terminal without block characters
        print(draw_for_terminal(target))
    print("A paired phone can read and change the gallery until you take that back with `rimlight devices`.")
    if address.startswith("http:"):
        print(
            "The network sees what is sent: pair only in a network that you trust, or use --cert and --key."
        )
    sys.stdout.flush()


def _check_certificate(tls: Certificate) -> None:
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(tls.certificate, tls.key)
    except (OSError, ssl.SSLError) as error:
        reason = error.strerror or str(error)
        raise StoreError(
            f"The certificate {tls.certificate} with the key {tls.key} cannot be used ({reason}): "
            "both must be PEM files that belong together."
        ) from error


def _bind(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there the option would let two servers share the port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(BACKLOG)  # from now on whoever connects waits rather than being turned away
    except OSError as error:
        listener.close()
        raise StoreError(
            f"Port {port} cannot be used ({error.strerror}): pick another with --port."
        ) from error
    return listener


def _find_own_address() -> str:
    """This machine's address on its network; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): only picks the interface
        except OSError:
            return socket.gethostname()
        return str(probe.getsockname()[0])
