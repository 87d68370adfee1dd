"""A certificate for this machine's own names and addresses, made here: with it phones talk to it encrypted.

A small authority signs the server's certificate and its key is thrown away at once, never written down. So a
phone may be told to trust the authority without risk: nothing else can ever be signed with it. When the names
change, both are made anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import ipaddress
import json
import os
import socket
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from service.errors import StoreError

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

FOLDER = "certificate"
# Phones refuse a certificate that is valid for more than 825 days, even one a person trusts: from memory.
LIFE = timedelta(days=800)
EARLIER = timedelta(days=1)  # a phone's clock may be behind
# What a laptop calls itself in the network that it opens as a hotspot: Windows, Linux's NetworkManager,
# macOS; from memory. With them in the certificate a sale's hotspot needs no new one.
HOTSPOTS = ("192.168.137.1", "10.42.0.1", "192.168.2.1")


@dataclass(frozen=True)
class MadeCertificate:
    """The certificate of a data folder: its files, the names it holds for, its end (ISO 8601, UTC)."""

    folder: Path
    names: tuple[str, ...]
    ends_at: str

    @property
    def certificate(self) -> Path:
        """What the server shows (PEM)."""
        return self.folder / "server.pem"

    @property
    def key(self) -> Path:
        """Its key (PEM), readable by its owner only."""
        return self.folder / "server.key"

    @property
    def authority(self) -> Path:
        """What a phone is told to trust (PEM); nothing secret."""
        return self.folder / "authority.pem"

    @property
    def authority_der(self) -> bytes:
        """The same as phones take it."""
        return ssl.PEM_cert_to_DER_cert(self.authority.read_text(encoding="ascii"))

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the server's certificate, in pairs, as browsers show it behind their warning."""
        return format_fingerprint(ssl.PEM_cert_to_DER_cert(self.certificate.read_text(encoding="ascii")))

    @property
    def authority_fingerprint(self) -> str:
        """SHA-256 of the authority, as phones show it where they are told to trust it."""
        return format_fingerprint(self.authority_der)

    def holds_for(self, name: str) -> bool:
        """Whether a browser that opens this name or address finds it in the certificate."""
        return name.lower() in self.names

    def has_ended(self, now: datetime) -> bool:
        """Whether its time is over."""
        return datetime.fromisoformat(self.ends_at) <= now


def format_fingerprint(der: bytes) -> str:
    """SHA-256 of a certificate's DER bytes as pairs of hex digits."""
    digits = hashlib.sha256(der).hexdigest().upper()
    return ":".join(digits[place : place + 2] for place in range(0, len(digits), 2))


def list_own_names(own_address: str) -> list[str]:
    """Names and addresses that this machine has, or has as a hotspot; each once, this network's first."""
    host = socket.gethostname().lower()
    names = [
        own_address,
        *_list_addresses(host),
        f"{host.split('.')[0]}.local",
        host,
        "localhost",
        "127.0.0.1",
    ]
    return list(dict.fromkeys(name.lower() for name in (*names, *HOTSPOTS) if name))


def _list_addresses(host: str) -> list[str]:
    found: list[str] = []
    with contextlib.suppress(OSError):
        found = [str(entry[4][0]) for entry in socket.getaddrinfo(host, None, socket.AF_INET)]
    return [address for address in found if not ipaddress.ip_address(address).is_loopback]


def find_made(data_folder: Path) -> MadeCertificate | None:
    """The certificate made for this folder before, or None."""
    folder = data_folder / FOLDER
    try:
        facts = json.loads((folder / "certificate.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise StoreError(
            f"{folder} cannot be read ({error}): make it anew with `rimlight certificate`."
        ) from error
    return MadeCertificate(folder, tuple(facts["names"]), str(facts["ends_at"]))


def make_made(data_folder: Path, names: list[str], now: datetime) -> MadeCertificate:
    """Make it anew for these names and addresses.

    Raises
    ------
    StoreError
        The folder cannot be written, or one of the names can stand in no certificate.
    """
    made = MadeCertificate(data_folder / FOLDER, tuple(names), (now + LIFE).isoformat(timespec="seconds"))
    authority, server, key = _sign(names, now)
    facts = json.dumps({"names": names, "ends_at": made.ends_at}).encode()
    try:
        made.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        written = ((made.authority, authority), (made.certificate, server), (made.key, key))
        for path, content in (*written, (made.folder / "certificate.json", facts)):
            _write_private(path, content)
    except OSError as error:
        raise StoreError(f"{made.folder} cannot be written ({error.strerror}): check its rights.") from error
    return made


def remove_made(data_folder: Path) -> bool:
    """Take it away; whether there was one."""
    made = find_made(data_folder)
    if made is None:
        return False
    for name in ("certificate.json", "server.key", "server.pem", "authority.pem"):
        (made.folder / name).unlink(missing_ok=True)
    return True


def _write_private(path: Path, content: bytes) -> None:
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(content)


def _sign(names: list[str], now: datetime) -> tuple[bytes, bytes, bytes]:
    """PEM of the authority, of the server's certificate and of the server's key."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    authority_key, server_key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    authority = _build(
        f"Rimlight on {socket.gethostname()}"[:64], None, authority_key, authority_key, [], now
    )
    server = _build("Rimlight"[:64], authority, server_key, authority_key, names, now)
    pem, plain = serialization.Encoding.PEM, serialization.NoEncryption()
    key = server_key.private_bytes(pem, serialization.PrivateFormat.PKCS8, plain)
    return authority.public_bytes(pem), server.public_bytes(pem), key


def _build(
    title: str,
    issuer: x509.Certificate | None,
    key: ec.EllipticCurvePrivateKey,
    signing_key: ec.EllipticCurvePrivateKey,
    names: list[str],
    now: datetime,
) -> x509.Certificate:
    """One certificate: an authority where there is no issuer, else a server's (RFC 5280)."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.x509.oid import ExtendedKeyUsageOID

    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, title)])
    is_authority = issuer is None
    signer = x509.AuthorityKeyIdentifier.from_issuer_public_key(signing_key.public_key())
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.subject if issuer is not None else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now.astimezone(UTC) - EARLIER)
        .not_valid_after(now.astimezone(UTC) + LIFE)
        .add_extension(x509.BasicConstraints(is_authority, 0 if is_authority else None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(signer, critical=False)
        .add_extension(_usage(is_authority), critical=True)
    )
    if not is_authority:
        purpose = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])
        builder = builder.add_extension(purpose, critical=False)
        builder = builder.add_extension(x509.SubjectAlternativeName(list(map(_name, names))), critical=False)
    return builder.sign(signing_key, hashes.SHA256())


def _usage(is_authority: bool) -> x509.KeyUsage:
    from cryptography import x509

    others = dict.fromkeys(
        ("content_commitment", "key_encipherment", "data_encipherment", "key_agreement", "crl_sign"), False
    )
    return x509.KeyUsage(
        digital_signature=not is_authority,
        key_cert_sign=is_authority,
        encipher_only=False,
        decipher_only=False,
        **others,
    )


def _name(name: str) -> x509.GeneralName:
    from cryptography import x509

    with contextlib.suppress(ValueError):
        return x509.IPAddress(ipaddress.ip_address(name))
    try:
        return x509.DNSName(name)
    except ValueError as error:
        raise StoreError(f"{name!r} can stand in no certificate: give a host name or an address.") from error
