"""Codes, tokens, shares of use: what pairs a device, what does not, and what taking it back does."""

from __future__ import annotations

import contextvars
import re
import shutil
import sqlite3
import ssl
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from service import devices as devices_module
from service.allowance import MOST_NAMES, Allowance
from service.devices import MOST_CODES, PHOTOS, REQUESTS, TRIES, Devices
from service.errors import LabelError, NotAllowed, NotFound, TooMany
from service.guard import COOKIE
from service.pairing_code import ALPHABET, CODE_LENGTH, fold_code, make_code
from service.store import open_store


@pytest.fixture()
def devices(tmp_path: Path) -> Iterator[Devices]:
    store = open_store(tmp_path / "data")
    yield Devices(store)
    store.close()


def pair(devices: Devices, name: str = "Phone", is_owner: bool = False) -> str:
    """Pair one, each from an address of its own; returns the token."""
    return devices.pair(devices.make_code(is_owner).code, name, f"address of {name}")[1]


def test_a_code_is_short_and_has_no_look_alikes() -> None:
    codes = {make_code() for _ in range(200)}
    assert len(codes) == 200
    assert not set("01OIL") & set("".join(codes))
    assert all(re.fullmatch(f"[{ALPHABET}]{{4}}-[{ALPHABET}]{{4}}", code) for code in codes)
    assert len(ALPHABET) ** CODE_LENGTH > 2**39


def test_a_code_pairs_once_however_it_is_typed(devices: Devices) -> None:
    code = devices.make_code().code
    device, token = devices.pair(f" {code.lower().replace('-', ' ')} ", "Phone", "a")
    caller = devices.find_caller(token)
    assert caller is not None
    assert (caller.device, caller.name, caller.is_owner) == (device["id"], "Phone", False)
    with pytest.raises(NotAllowed, match="wrong, used or older"):
        devices.pair(code, "Phone", "b")


def test_a_code_ends_after_ten_minutes_and_before_its_time(
    devices: Devices, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = devices.make_code()
    made = devices_module.now()
    for at in (devices_module._later(made, 2 * devices_module.CODE_LIFE), "2001-01-01T00:00:00.000Z"):
        monkeypatch.setattr("service.devices.now", lambda at=at: at)  # a clock set on, a clock set back
        with pytest.raises(NotAllowed):
            devices.pair(code.code, "Phone", at)


def test_only_the_latest_codes_are_valid(devices: Devices) -> None:
    codes = [devices.make_code().code for _ in range(MOST_CODES + 1)]
    with pytest.raises(NotAllowed):
        devices.pair(codes[0], "Phone", "a")
    devices.pair(codes[-1], "Phone", "b")


def test_guessing_is_cut_short_for_one_address_and_for_all_together(devices: Devices) -> None:
    def guess(address: str) -> type[Exception]:
        with pytest.raises((NotAllowed, TooMany)) as caught:
            devices.pair("AAAA-AAAA", "Phone", address)
        return caught.type

    assert [guess("one") for _ in range(TRIES + 2)] == [NotAllowed] * TRIES + [TooMany] * 2
    kinds = [guess(f"another {number}") for number in range(40)]
    assert kinds[0] is NotAllowed
    assert kinds[-1] is TooMany
    code = devices.make_code().code
    with pytest.raises(TooMany) as caught:
        devices.pair(code, "Phone", "late")  # even the right one waits now
    assert caught.value.wait_s >= 1


def test_tokens_and_codes_are_kept_hashed_only(devices: Devices, tmp_path: Path) -> None:
    spent = devices.make_code().code
    token = devices.pair(spent, "Phone", "a")[1]
    open_code = devices.make_code().code
    files = list((tmp_path / "data").glob("rimlight.sqlite3*"))
    content = b"".join(path.read_bytes() for path in files)
    for secret in (token, token.split(".")[1], fold_code(spent), fold_code(open_code)):
        assert secret.encode() not in content


@pytest.mark.parametrize("token", [None, "", ".", "x", "x.y", "\ud800", "a" * 10_000, "' OR 1=1 --.x"])
def test_no_made_up_token_is_let_in(devices: Devices, token: str | None) -> None:
    pair(devices)
    assert devices.find_caller(token) is None


def test_a_revoked_token_ends_at_once_and_its_name_is_free(devices: Devices) -> None:
    first, second = pair(devices, "Phone"), pair(devices, "PHONE")
    assert [d["name"] for d in devices.list_devices()] == ["Phone", "PHONE 2"]
    devices.revoke("phone")
    assert devices.find_caller(first) is None
    assert devices.find_caller(second) is not None
    with pytest.raises(NotFound):
        devices.revoke("phone")
    pair(devices, "Phone")
    assert [d["name"] for d in devices.list_devices()] == ["PHONE 2", "Phone"]


@pytest.mark.parametrize("name", ["", "  ", "x" * 61, "a\x00b", "a\u202eb"])
def test_a_name_that_cannot_be_shown_pairs_nothing_and_spends_nothing(devices: Devices, name: str) -> None:
    code = devices.make_code().code
    with pytest.raises(LabelError):
        devices.pair(code, name, "a")
    devices.pair(code, "Phone", "a")


def test_the_owners_rights_come_with_the_owners_code_only(devices: Devices) -> None:
    owner, guest = devices.find_caller(pair(devices, "A", True)), devices.find_caller(pair(devices, "B"))
    assert owner is not None and owner.is_owner
    assert guest is not None and not guest.is_owner


def test_each_device_has_a_share_of_its_own(devices: Devices) -> None:
    one, other = (devices.find_caller(pair(devices, name)).device for name in ("A", "B"))
    for _ in range(PHOTOS):
        devices.charge(one, 1000)
    with pytest.raises(TooMany, match="asks too fast"):
        devices.charge(one, 1000)
    devices.charge(one, None)  # looking on is still possible
    devices.charge(other, 1000)
    with pytest.raises(TooMany):
        for _ in range(REQUESTS + 50):
            devices.charge(one, None)


def test_a_days_share_of_bytes_outlives_a_restart(devices: Devices, tmp_path: Path) -> None:
    mine = devices.find_caller(pair(devices)).device
    devices.charge(mine, devices_module.BYTES_A_DAY - 10)
    store = open_store(tmp_path / "data")
    with pytest.raises(TooMany, match="share of today"):
        Devices(store).charge(mine, 11)
    store.close()


def test_an_allowance_refills_steadily_and_forgets_the_longest_unused() -> None:
    time_s = 0.0
    allowance = Allowance(2, 0.5, lambda: time_s)
    assert [allowance.take("a") for _ in range(3)] == [0, 0, 2]
    time_s = 2.0
    assert [allowance.take("a"), allowance.take("a")] == [0, 2]
    for number in range(MOST_NAMES):
        allowance.take(f"b{number}")
    assert len(allowance._left) == MOST_NAMES


def test_last_seen_is_kept_to_ten_minutes(devices: Devices, tmp_path: Path) -> None:
    caller = devices.find_caller(pair(devices))
    devices.note_seen(caller.device)
    seen = devices.list_devices()[0]["seen_at"]
    devices.note_seen(caller.device)
    assert devices.list_devices()[0]["seen_at"] == seen
    connection = sqlite3.connect(tmp_path / "data" / "rimlight.sqlite3")
    with connection:  # a clock that was ahead must not freeze it
        connection.execute("UPDATE device SET seen_at = '2999-01-01T00:00:00.000Z'")
    connection.close()
    devices.note_seen(caller.device)
    assert devices.list_devices()[0]["seen_at"] < "2999"


def test_the_real_server_prints_a_code_that_pairs_a_browser(make_server: Callable, tmp_path: Path) -> None:
    running = make_server(tmp_path / "data", "--empty", "--lan")
    second, third = running.process.stdout.readline(), running.process.stdout.readline()
    code = re.search(r"/pair\?code=([0-9A-Z]{4}-[0-9A-Z]{4})$", second.strip()).group(1)
    assert code in third
    with running.client() as client:
        page = client.get("/pair", params={"code": code})
        assert f'value="{code}"' in page.text  # opening it spends nothing
        form = {"code": "AAAA-AAAA", "name": "<i>"}
        wrong = client.post("/pair", data=form, headers={"Accept": "text/html"})
        assert wrong.status_code == 403
        assert "&lt;i&gt;" in wrong.text and "<i>" not in wrong.text
        assert client.post("/pair", data=form).headers["content-type"] == "application/problem+json"
        paired = client.post("/pair", data={"code": code, "name": "Phone"})
        assert (paired.status_code, paired.headers["location"]) == (303, "/")
        cookie = paired.headers["set-cookie"].lower()
        assert cookie.startswith(f"{COOKIE}=")
        assert "httponly" in cookie and "samesite=strict" in cookie
        listed = client.get("/devices").text
        assert "Phone" in listed and "Let in no more" in listed
        key = {"Idempotency-Key": "once"}
        made = client.post("/api/devices/codes", json={"is_owner": True}, headers=key).json()
        assert client.post("/api/devices/codes", json={"is_owner": True}, headers=key).json() == made
        assert client.post("/api/devices/codes", json={}, headers=key).status_code == 422
        assert made["address"].endswith(made["code"])
        body, key = {"code": made["code"], "name": "Scanner"}, {"Idempotency-Key": "again"}
        first, second = (client.post("/api/devices", json=body, headers=key) for _ in range(2))
        assert first.status_code == second.status_code == 201
        assert first.json() == second.json()
        assert first.json()["is_owner"] is True
        assert made["qr_svg"].startswith("<?xml") and "<script" not in made["qr_svg"]


def test_a_second_server_on_the_folder_is_told_where_the_first_is(
    make_server: Callable, tmp_path: Path, rimlight: Callable
) -> None:
    running = make_server(tmp_path / "data", "--empty")
    second = rimlight("serve", "--port", 0, "--data", tmp_path / "data")
    assert second.returncode == 2
    assert running.url in second.stderr
    assert "--data" in second.stderr
    unserved = rimlight("devices", "pair", "--data", tmp_path / "data")
    assert unserved.returncode == 1
    assert "serve --lan" in unserved.stderr
    running.process.kill()
    running.process.wait()
    third = make_server(tmp_path / "data")  # the dead one's lock is gone with it
    with third.client() as client:
        assert client.get("/api/health").status_code == 200


def test_the_change_log_says_which_device_it_was(tmp_path: Path) -> None:
    from service import ledger
    from service.actions import Actions
    from service.caller import Caller, set_caller
    from service.worker import Worker

    store = open_store(tmp_path / "data")
    actions = Actions(store, Worker(), "page")
    assert actions.who == "page"

    def as_device() -> str:
        set_caller({}, Caller("id", "Kitchen phone", False))
        with store.writing() as tx:
            ledger.log_change(tx, actions.who, "start", None, None)
            return tx.exec_driver_sql("SELECT who FROM change").scalar()

    assert contextvars.copy_context().run(as_device) == "Kitchen phone"
    assert actions.who == "page"
    store.close()


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no tool that makes a certificate")
def test_with_a_certificate_everything_is_encrypted(
    make_server: Callable, tmp_path: Path, rimlight: Callable
) -> None:
    certificate, key = tmp_path / "own.pem", tmp_path / "key.pem"
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=own"]
    names = ["-addext", "subjectAltName=IP:127.0.0.1", "-out", str(certificate), "-keyout", str(key)]
    subprocess.run([*made, *names], check=True, capture_output=True)
    data, files = tmp_path / "data", ("--cert", str(certificate), "--key", str(key))
    half = rimlight("serve", "--data", data, "--cert", certificate)
    assert half.returncode == 2
    swapped = rimlight("serve", "--data", data, "--empty", "--cert", key, "--key", certificate)
    assert swapped.returncode == 2
    assert "belong together" in swapped.stderr
    running = make_server(data, "--empty", "--lan", *files)
    code = re.search(r"code=([0-9A-Z-]{9})$", running.process.stdout.readline().strip()).group(1)
    assert running.url.startswith("https://")
    trusted = ssl.create_default_context(cafile=str(certificate))
    with httpx.Client(base_url=running.url, verify=trusted, timeout=60) as client:
        paired = client.post("/pair", data={"code": code, "name": "Phone"}, headers={"Origin": running.url})
        assert paired.status_code == 303
        assert "secure" in paired.headers["set-cookie"].lower()
    with pytest.raises(httpx.HTTPError):
        httpx.get(running.url.replace("https", "http") + "/api/health")
