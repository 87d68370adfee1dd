"""Where the server listens: addresses, ports and certificates."""

from __future__ import annotations

import socket
import ssl
import sys
from dataclasses import dataclass

from service.certificate import MadeCertificate
from service.errors import StoreError

# What may wait for the server to take it; further connections are turned away by the system.
BACKLOG = 128


@dataclass(frozen=True)
class Certificate:
    """Files of a certificate and its key (PEM): with them everything travels encrypted."""

    certificate: str
    key: str


@dataclass(frozen=True)
class Way:
    """One way in: a bound socket, the certificate shown there, and whether paired devices come by it."""

    listener: socket.socket
    tls: Certificate | None
    lan: bool

    @property
    def port(self) -> int:
        """The port it is bound to."""
        return int(self.listener.getsockname()[1])

    @property
    def scheme(self) -> str:
        """How addresses of it begin."""
        return "http" if self.tls is None else "https"


def open_ways(port: int, lan: bool, tls: Certificate | None, made: MadeCertificate | None) -> list[Way]:
    """Bind them; the first is the one for this machine.

    With a ``made`` certificate this machine keeps its plain address, which browsers trust on it, and the
    network has an encrypted one, a port up.

    Raises
    ------
    StoreError
        A port is taken, or a certificate cannot be used.
    """
    if tls is not None:
        check_certificate(tls)
    if not lan or made is None or tls is not None:
        return [Way(bind("0.0.0.0" if lan else "127.0.0.1", port), tls, lan)]
    own = Certificate(str(made.certificate), str(made.key))
    check_certificate(own)
    home = Way(bind("127.0.0.1", port), None, False)
    try:
        return [home, Way(bind("0.0.0.0", port + 1 if port else 0), own, True)]
    except StoreError:
        home.listener.close()
        raise


def check_certificate(tls: Certificate) -> None:
    """Refuse files that the server could not use."""
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(tls.certificate, tls.key)
    except (OSError, ssl.SSLError) as error:
        reason = error.strerror or str(error)
        raise StoreError(
            f"The certificate {tls.certificate} with the key {tls.key} cannot be used ({reason}): "
            "both must be PEM files that belong together."
        ) from error


def bind(host: str, port: int) -> socket.socket:
    """A listening socket; ``port`` 0 takes a free one."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there the option would let two servers share the port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(BACKLOG)  # from now on whoever connects waits rather than being turned away
    except (OSError, OverflowError) as error:
        listener.close()
        reason = getattr(error, "strerror", None) or error
        raise StoreError(f"Port {port} cannot be used ({reason}): pick another with --port.") from error
    return listener


def find_own_address() -> str:
    """This machine's address on its network; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): only picks the interface
        except OSError:
            return socket.gethostname()
        return str(probe.getsockname()[0])
