"""A phone is paired from the desk's page, sends photos, is let in no more, and comes back."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from playwright.sync_api import Page, Playwright, expect

PHOTOS = Path(__file__).resolve().parents[2] / "service" / "demo" / "photos"
PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True}
DESK = {"viewport": {"width": 1280, "height": 900}}
READ_MS = 60_000


def read_qr(page: Page) -> str:
    """What a phone's camera would read off the page."""
    page.locator("#qr").wait_for()
    pixels = np.frombuffer(page.locator("#qr").screenshot(), np.uint8)
    said, _, _ = cv2.QRCodeDetector().detectAndDecode(cv2.imdecode(pixels, cv2.IMREAD_COLOR))
    return str(said)


def pair(desk: Page, phone: Page, name: str) -> None:
    desk.goto("/devices")
    desk.get_by_role("button", name="Make a code").click()
    phone.goto(read_qr(desk))
    phone.get_by_label("What to call this device").fill(name)
    phone.get_by_role("button", name="Pair").click()
    expect(phone.get_by_role("heading", name="Read a rim")).to_be_visible()
    expect(desk.locator("#list")).to_contain_text(name)


def test_a_phone_pairs_by_the_code_sends_what_waited_and_is_revoked_and_let_in_again(
    make_served: Callable,
    open_page: Callable,
    lan_address: str,
    tmp_path: Path,
    check_axe: Callable,
    shot: Callable,
) -> None:
    served = make_served(tmp_path / "data", "--empty", "--lan")
    desk = open_page(served.url, DESK)
    phone = open_page(f"http://{lan_address}:{served.port}", PHONE)
    phone.goto("/")
    expect(phone.get_by_role("heading", name="Pair this device")).to_be_visible()
    check_axe(phone)
    shot(phone, "phone-pairing")
    pair(desk, phone, "Kitchen phone")
    expect(phone.locator("#away-how")).to_contain_text("plain HTTP")
    check_axe(phone)
    phone.context.set_offline(True)
    phone.locator("#take input[multiple]").set_input_files(str(PHOTOS / "13-marram-gold-square-plate.jpg"))
    expect(phone.locator("#waiting")).to_contain_text("1 photo waits")
    shot(phone, "phone-plain-waiting")

    desk.get_by_role("button", name="Let in no more").click()
    expect(desk.locator("#list")).not_to_contain_text("Kitchen phone")
    phone.context.set_offline(False)
    expect(phone.locator("#waiting")).to_contain_text("not paired any more", timeout=READ_MS)
    expect(desk.get_by_role("button", name="Undo")).to_be_focused()
    desk.keyboard.press("Enter")
    expect(desk.locator("#list")).to_contain_text("Kitchen phone")
    phone.get_by_role("button", name="Send now").click()
    expect(phone.locator("#waiting")).to_contain_text("1 photo sent and read", timeout=READ_MS)
    desk.reload()
    expect(desk.locator("#list")).to_contain_text("1 photo sent on")
    check_axe(desk)
    shot(desk, "desk-devices-paired")


def test_what_a_device_did_is_told_on_the_page_of_devices(
    make_served: Callable, open_page: Callable, lan_address: str, tmp_path: Path
) -> None:
    served = make_served(tmp_path / "data", "--lan")
    desk = open_page(served.url, DESK)
    phone = open_page(f"http://{lan_address}:{served.port}", PHONE)
    pair(desk, phone, "Shelf phone")
    expect(desk.locator("#list")).to_contain_text("It has changed nothing")
    phone.goto("/gallery")
    change = phone.evaluate(
        "async () => {"
        " const { items } = await (await fetch('/api/gallery')).json();"
        " return (await sendJson('DELETE', '/api/gallery/' + items[0].id)).change; }"
    )
    assert change
    desk.reload()
    desk.get_by_text("1 change made").click()
    expect(desk.locator("#list")).to_contain_text("took a photo out of the gallery")


def hash_key(certificate: Path) -> str:
    """The hash by which Chromium is told to trust a certificate as if a person had installed it."""
    key = x509.load_pem_x509_certificate(certificate.read_bytes()).public_key()
    form = serialization.PublicFormat.SubjectPublicKeyInfo
    der = key.public_bytes(serialization.Encoding.DER, form)
    return base64.b64encode(hashlib.sha256(der).digest()).decode()


def find_code(served: Any) -> str:
    """The pairing address that the terminal shows."""
    found = re.search(r"https://\S+/pair\?code=\S+", served.read_line())
    assert found is not None
    return found.group()


@pytest.fixture()
def own_certificate(tmp_path: Path) -> Path:
    from service.cli import main

    assert main(["certificate", "--data", str(tmp_path / "data")]) == 0
    return tmp_path / "data" / "certificate" / "server.pem"


@pytest.mark.parametrize("trusted", [False, True], ids=["warned about", "trusted"])
def test_with_the_own_certificate_the_page_is_secure_and_once_trusted_opens_without_the_machine(
    make_served: Callable,
    playwright: Playwright,
    chromium: str,
    flags: list[str],
    lan_address: str,
    tmp_path: Path,
    own_certificate: Path,
    trusted: bool,
    check_axe: Callable,
    shot: Callable,
) -> None:
    served = make_served(tmp_path / "data", "--empty", "--lan")
    assert served.url.startswith("http://127.0.0.1")  # the machine itself needs no certificate
    address = find_code(served)
    assert address.startswith(f"https://{lan_address}:")
    trust = [f"--ignore-certificate-errors-spki-list={hash_key(own_certificate)}"] if trusted else []
    context = playwright.chromium.launch_persistent_context(
        tmp_path / "profile",
        executable_path=chromium,
        args=[*flags, *trust],
        ignore_https_errors=not trusted,
        **PHONE,
    )
    page = context.pages[0]
    page.goto(address)
    page.get_by_role("button", name="Pair").click()
    expect(page.get_by_role("heading", name="Read a rim")).to_be_visible()
    assert page.evaluate("isSecureContext") is True
    page.wait_for_selector("html[data-away]")
    said = page.locator("#away-how")
    if trusted:
        expect(said).to_contain_text("this page still opens")
        served.stop()
        page.goto(address.split("/pair")[0] + "/")
        expect(page.locator("main")).to_contain_text("out of reach")
    else:  # Chromium keeps no page under a certificate that a person merely clicked past
        expect(said).to_contain_text("until this device trusts its certificate")
        assert page.get_attribute("html", "data-away") == "refused"
        said.get_by_role("link").click()
        expect(page.get_by_role("heading", name="Make a phone trust it")).to_be_visible()
        with page.expect_download() as coming:
            page.get_by_role("link", name="Take the certificate").click()
        sent = Path(coming.value.path()).read_bytes()
        assert x509.load_der_x509_certificate(sent).extensions.get_extension_for_class(x509.BasicConstraints)
        check_axe(page)
        shot(page, "phone-certificate-made")
    context.close()
