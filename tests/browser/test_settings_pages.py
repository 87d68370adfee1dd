"""Settings, backup and certificate: what they tell is true, and what they change is changed."""

from __future__ import annotations

import re
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Page, expect

PAGES = ("/settings", "/backup", "/certificate", "/devices", "/away")


@pytest.mark.parametrize("address", PAGES)
def test_the_page_has_no_finding_on_the_phone_and_at_the_desk(
    phone: Page, desk: Page, check_axe: Callable, shot: Callable, address: str
) -> None:
    for page, name in ((phone, "phone"), (desk, "desk")):
        page.goto(address)
        check_axe(page)
        shot(page, f"{name}{address.replace('/', '-')}")
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390


def test_settings_tell_where_things_lie_and_what_is_installed(desk: Page, served: object) -> None:
    desk.goto("/settings")
    main = desk.locator("main")
    expect(main).to_contain_text(str(served.data))
    expect(main).to_contain_text(re.compile("36, of which 3[0-9] can be matched"))
    expect(main).to_contain_text("HEIC photos")
    expect(main).to_contain_text("at most 30 MB")


def test_a_second_place_for_backups_is_kept_undone_and_refused_with_a_reason(
    desk: Page, tmp_path: Path, served: object, check_axe: Callable
) -> None:
    desk.goto("/settings")
    field = desk.get_by_label("A second place")
    for wrong, said in (
        ("stick", "whole path"),
        ("/nowhere/at all", "no folder"),
        (str(served.data), "data folder"),
    ):
        field.fill(wrong)
        field.press("Enter")
        expect(desk.locator("#second-problem")).to_contain_text(said)
    check_axe(desk)
    field.fill(str(tmp_path))
    field.press("Enter")
    expect(desk.get_by_role("status")).to_contain_text("second backup")
    desk.reload()
    expect(field).to_have_value(str(tmp_path))
    field.fill("")
    desk.get_by_role("button", name="Keep").click()
    expect(desk.get_by_role("status")).to_contain_text("No second backup")
    desk.get_by_role("button", name="Undo").click()
    expect(field).to_have_value(str(tmp_path))
    with served.client() as client:
        assert client.post("/api/settings", json={"backup_to": None}).json()["before"] == str(tmp_path)


def test_a_backup_is_made_with_progress_and_checked_from_the_page(
    desk: Page, served: object, shot: Callable, check_axe: Callable
) -> None:
    desk.goto("/backup")
    before = len(list((served.data / "backups").glob("*.sqlite3")))
    desk.keyboard.press("Tab")
    desk.get_by_role("button", name="Make a backup now").focus()
    desk.keyboard.press("Enter")
    expect(desk.locator("#work-text")).to_have_text(re.compile("Backup .* is made"), timeout=60_000)
    assert len(list((served.data / "backups").glob("*.sqlite3"))) == before + 1
    newest = desk.locator("#list tbody tr").first
    name = newest.locator("code").inner_text()
    newest.get_by_role("button", name="Check").click()
    expect(desk.locator("#work-text")).to_have_text(f"Backup {name} is whole.", timeout=60_000)
    expect(desk.locator("main")).to_contain_text(f'rimlight restore {name} --data "{served.data}"')
    check_axe(desk)
    shot(desk, "desk-backup-made")


def test_what_the_page_tells_of_a_failed_backup_is_what_to_do(
    desk: Page, make_served: Callable, open_page: Callable, tmp_path: Path
) -> None:
    served = make_served(tmp_path / "data", "--empty")
    (tmp_path / "data" / "backups").rmdir() if (tmp_path / "data" / "backups").is_dir() else None
    (tmp_path / "data" / "backups").write_text("a file where the folder should be")
    page = open_page(served.url, {"viewport": {"width": 1280, "height": 900}})
    page.goto("/backup")
    page.get_by_role("button", name="Make a backup now").click()
    expect(page.locator("#work-text")).to_contain_text("No backup could be written", timeout=30_000)


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_a_photo_that_is_none_is_refused_with_a_helpful_sentence(
    request: pytest.FixtureRequest, size: str, tmp_path: Path
) -> None:
    page: Page = request.getfixturevalue(size)
    page.goto("/")
    wrong = tmp_path / "list.jpg"
    wrong.write_bytes(b"no photo")
    page.locator("#take input[multiple]").set_input_files(str(wrong))
    expect(page.locator("main")).to_contain_text("JPEG, PNG or WebP", timeout=30_000)


HEIC = Path(__file__).resolve().parents[1] / "data" / "plate.heic"


@pytest.mark.skipif(find_spec("pi_heif") is None, reason="the heic extra is not installed")
def test_a_heic_photo_is_read_where_its_package_is_installed(phone: Page) -> None:
    phone.goto("/")
    phone.locator("#take input[multiple]").set_input_files(str(HEIC))
    read = phone.locator("#jobs a[href^='/readings/'], article#reading")
    expect(read.first).to_be_attached(timeout=60_000)


def test_a_heic_photo_is_refused_with_what_to_do_where_its_package_is_not_installed(
    make_served: Callable, open_page: Callable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sitecustomize.py").write_text("import sys\nsys.modules['pi_heif'] = None\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    page = open_page(make_served(tmp_path / "data", "--empty").url)
    page.goto("/")
    page.locator("#take input[multiple]").set_input_files(str(HEIC))
    said = page.locator("#jobs")
    expect(said).to_contain_text("heic extra", timeout=30_000)
    expect(said).to_contain_text("JPEG")
    page.goto("/settings")
    expect(page.locator("main")).to_contain_text("a HEIC photo is refused")


def test_the_routes_are_for_the_owner_and_the_certificate_page_for_every_paired_device(
    make_served: Callable, tmp_path: Path, lan_address: str
) -> None:
    served = make_served(tmp_path / "data", "--empty", "--lan")
    code = re.search(r"code=([0-9A-Z-]{9})", served.read_line())
    assert code is not None
    base = f"http://{lan_address}:{served.port}"
    with httpx.Client(base_url=base, timeout=60) as device:
        token = device.post("/api/devices", json={"code": code.group(1), "name": "Phone"}).json()["token"]
        device.headers["Authorization"] = f"Bearer {token}"
        for address in ("/settings", "/backup", "/api/backups"):
            assert device.get(address).status_code == 403, address
        assert device.post("/api/backups").status_code == 403
        assert device.post("/api/settings", json={"backup_to": None}).status_code == 403
        assert device.get("/certificate").status_code == 200
        assert device.get("/certificate/rimlight.crt").status_code == 404
