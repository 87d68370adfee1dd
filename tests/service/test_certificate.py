"""The certificate that the machine makes for itself, and the second place for its backups."""

from __future__ import annotations

import re
import ssl
import stat
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec

from service.backup.automatic import keep_backed_up
from service.backup.backups import Backups
from service.certificate import LIFE, find_made, list_own_names, make_made, remove_made
from service.errors import LabelError, StoreError
from service.second_place import choose_second_place, find_second_place, list_second_backups
from service.serve_ways import open_ways
from service.store import open_store

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
NAMES = ["192.0.2.7", "laptop.local", "localhost", "127.0.0.1"]  # a documentation address (RFC 5737)
APPLE_LIMIT = timedelta(days=825)  # longest life that phones take of a certificate: from memory


def load(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def test_the_certificate_holds_for_its_names_and_is_signed_by_the_authority(tmp_path: Path) -> None:
    made = make_made(tmp_path, NAMES, NOW)
    server, authority = load(made.certificate), load(made.authority)
    server.verify_directly_issued_by(authority)
    held = server.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert held.get_values_for_type(x509.DNSName) == ["laptop.local", "localhost"]
    assert [str(ip) for ip in held.get_values_for_type(x509.IPAddress)] == ["192.0.2.7", "127.0.0.1"]
    assert server.not_valid_after_utc - server.not_valid_before_utc <= APPLE_LIMIT
    assert find_made(tmp_path) == made
    assert made.holds_for("LAPTOP.local") and not made.holds_for("192.0.2.8")
    assert not made.has_ended(NOW) and made.has_ended(NOW + LIFE)


def test_the_key_that_signed_it_is_nowhere_and_the_servers_own_is_readable_by_its_owner_only(
    tmp_path: Path,
) -> None:
    made = make_made(tmp_path, NAMES, NOW)
    authority = load(made.authority)
    assert authority.extensions.get_extension_for_class(x509.BasicConstraints).value.path_length == 0
    keys = [path for path in made.folder.iterdir() if b"PRIVATE KEY" in path.read_bytes()]
    assert keys == [made.key]
    public = load(made.certificate).public_key()
    assert isinstance(public, ec.EllipticCurvePublicKey) and public != authority.public_key()
    if sys.platform != "win32":
        assert stat.S_IMODE(made.key.stat().st_mode) == 0o600


def test_made_again_it_is_another_and_taken_away_it_is_gone(tmp_path: Path) -> None:
    first = make_made(tmp_path, NAMES, NOW).fingerprint
    assert re.fullmatch(r"([0-9A-F]{2}:){31}[0-9A-F]{2}", first)
    assert make_made(tmp_path, NAMES, NOW).fingerprint != first
    assert remove_made(tmp_path) and not remove_made(tmp_path)
    assert find_made(tmp_path) is None


def test_a_name_that_can_stand_in_no_certificate_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="host name or an address"):
        make_made(tmp_path, ["plätze.local"], NOW)
    assert find_made(tmp_path) is None


def test_the_names_are_those_of_this_machine_each_once() -> None:
    names = list_own_names("192.0.2.7")
    assert names[0] == "192.0.2.7"
    assert {"localhost", "127.0.0.1"} <= set(names)
    assert len(names) == len(set(names))


def test_with_it_phones_come_in_encrypted_and_the_machine_itself_as_before(tmp_path: Path) -> None:
    made = make_made(tmp_path, NAMES, NOW)
    ways = open_ways(0, True, None, made)
    try:
        assert [(way.scheme, way.lan) for way in ways] == [("http", False), ("https", True)]
        assert ways[0].listener.getsockname()[0] == "127.0.0.1"
    finally:
        for way in ways:
            way.listener.close()
    alone = open_ways(0, False, None, made)
    assert [(way.scheme, way.lan) for way in alone] == [("http", False)]
    alone[0].listener.close()


def test_the_real_server_finds_it_by_itself(
    make_server: Callable, tmp_path: Path, rimlight: Callable
) -> None:
    data = tmp_path / "data"
    made = rimlight("certificate", "--data", data, "--name", "Shed.local")
    assert made.returncode == 0, made.stderr
    assert "shed.local" in made.stdout
    assert rimlight("certificate", "--show", "--data", data).stdout == made.stdout
    running = make_server(data, "--empty", "--lan")
    address = re.search(r"https://\S+:(\d+)/pair", running.process.stdout.readline())
    assert running.url.startswith("http://127.0.0.1:")
    trusted = ssl.create_default_context(cafile=str(data / "certificate" / "authority.pem"))
    with httpx.Client(base_url=f"https://127.0.0.1:{address.group(1)}", verify=trusted, timeout=60) as client:
        assert client.get("/api/health").status_code == 200
        page = client.get("/certificate").text
        assert find_made(data).authority_fingerprint in page
        sent = client.get("/certificate/rimlight.crt")
        assert sent.content == find_made(data).authority_der
    with running.client() as client:
        assert client.get("/api/health").status_code == 200
    removed = rimlight("certificate", "--remove", "--data", data)
    assert "gone" in removed.stdout
    assert "There is none" in rimlight("certificate", "--show", "--data", data).stdout


def test_a_second_place_gets_the_automatic_backups_while_it_is_there(tmp_path: Path) -> None:
    store = open_store(tmp_path / "data")
    stick = tmp_path / "stick"
    try:
        for wrong in ("stick", str(stick), str(tmp_path / "data" / "photos"), "/a\x00b"):
            with pytest.raises(LabelError, match="backup_to"):
                choose_second_place(store, wrong)
        stick.mkdir()
        assert choose_second_place(store, f" {stick} ") is None
        assert find_second_place(store) == stick
        stop = threading.Event()
        stop.set()
        with store.writing() as tx:
            tx.exec_driver_sql(
                "INSERT INTO change (id, at, who, action, before, after) "
                "VALUES ('a','','','x','null','null'), ('b','','','x','null','null')"
            )
        keep_backed_up(Backups(store.folder), stop, lambda: NOW, lambda: list_second_backups(store))
        assert len(Backups(store.folder).list_backups()) == 1
        assert len(Backups(store.folder, stick).list_backups()) == 1
        assert choose_second_place(store, None) == stick
        assert list_second_backups(store) == []
    finally:
        store.close()
