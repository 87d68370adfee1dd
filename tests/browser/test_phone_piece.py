""" "Do I own this?" on a phone: look, join or record with mark and number, and take it back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import Page, expect

PHOTOS = Path(__file__).resolve().parents[2] / "service" / "demo" / "photos"
READ_MS = 90_000
# From the photos' folder: none of the demo's own, which its register holds already.
NEW = "../../../sample_images/19-marram-gold-oval-platter.jpg"
HELD = "28-pip-row-gold-square-plate.jpg"


@pytest.fixture()
def reading(read_once: Callable[..., dict[str, Any]], served: Any) -> Iterator[dict[str, Any]]:
    """A reading that nobody has confirmed; what a test leaves confirmed is taken back."""
    found = read_once(NEW)
    yield found
    with served.client() as client:
        for item in client.get("/api/gallery").json()["items"]:
            if item["reading_id"] == found["id"]:
                client.delete(f"/api/gallery/{item['id']}")


def count_pieces(served: Any) -> int:
    return int(httpx.get(f"{served.url}/api/register/records/piece", timeout=60).json()["total"])


def open_owned(page: Page, reading: dict[str, Any]) -> None:
    page.goto(f"/readings/{reading['id']}")
    page.locator("#own").click()
    expect(page.locator("h1")).to_have_text("Do I own this?")


def test_the_nearest_pieces_stand_side_by_side_and_nothing_joins_before_it_is_confirmed(
    phone: Page, desk: Page, reading: dict[str, Any], check_axe: Callable, shot: Callable
) -> None:
    for page, name in ((phone, "phone"), (desk, "desk")):
        open_owned(page, reading)
        expect(page.locator(".candidate").first.locator("img")).to_have_count(2)
        expect(page.locator(".joins").first).to_be_hidden()
        expect(page.locator("#record")).to_be_hidden()
        check_axe(page)
        shot(page, f"{name}-own")


def test_a_photo_that_the_register_holds_says_whose_it_is(
    phone: Page, read_once: Callable[..., dict[str, Any]], check_axe: Callable
) -> None:
    open_owned(phone, read_once(HELD))
    expect(phone.locator("main")).to_contain_text("This very photo is in the register already.")
    expect(phone.locator("main")).to_contain_text("This photo belongs to piece D")
    expect(phone.locator("#record")).to_have_count(0)
    check_axe(phone)


def test_a_piece_is_recorded_with_its_mark_and_number_and_taken_back(
    phone: Page, served: Any, reading: dict[str, Any], check_axe: Callable, shot: Callable
) -> None:
    before = count_pieces(served)
    open_owned(phone, reading)
    phone.locator(".confirm").first.click()
    expect(phone.locator("#record")).to_be_visible(timeout=READ_MS)
    phone.locator("#mark-photo").set_input_files(str(PHOTOS / "27-pip-row-platinum-square-plate.jpg"))
    expect(phone.locator("#mark-said")).to_contain_text("kept with the piece", timeout=READ_MS)
    phone.get_by_label("Text of the mark").fill("Velderby Works V31")
    phone.get_by_label("Decoration number").fill("BR-151")
    phone.get_by_label("Kind of piece").fill("luncheon plate")
    phone.get_by_label("Line", exact=True).fill("Brindlow")
    for box in phone.locator("[data-take]").all():
        box.check()
    check_axe(phone)
    shot(phone, "phone-record")
    phone.get_by_role("button", name="Record the piece").click()
    expect(phone.locator("#recorded-said")).to_contain_text("Recorded as piece")
    check_axe(phone)
    shot(phone, "phone-recorded")
    address = phone.locator("#recorded-open").get_attribute("href")
    record = httpx.get(f"{served.url}/api{address}", timeout=60).json()
    assert record["piece_kind"] == "luncheon plate"
    assert [photo["role"] for photo in record["photos"]] == ["rim", "mark"]
    assert "Velderby Works V31" in str(record)
    assert "BR-151" in str(record)
    assert count_pieces(served) == before + 1
    phone.get_by_role("button", name="Undo").click()
    expect(phone.locator("#recorded")).to_be_hidden()
    assert count_pieces(served) == before


def test_the_photo_joins_a_piece_that_is_there_and_is_taken_back(
    phone: Page, served: Any, reading: dict[str, Any]
) -> None:
    before = count_pieces(served)
    open_owned(phone, reading)
    phone.locator(".confirm").first.click()
    phone.locator(".joins").first.click()
    expect(phone.locator("#recorded-said")).to_contain_text("joined piece")
    assert count_pieces(served) == before
    phone.get_by_role("button", name="Undo").click()
    expect(phone.locator("#recorded")).to_be_hidden()
    expect(phone.locator(".joins").first).to_be_visible()


def test_what_is_missing_is_said_beside_the_button(phone: Page, reading: dict[str, Any]) -> None:
    open_owned(phone, reading)
    phone.locator(".confirm").first.click()
    phone.get_by_label("Kind of piece").fill("plate")
    phone.get_by_label("Own number").fill("D85")
    phone.get_by_role("button", name="Record the piece").click()
    expect(phone.locator("#record-failed")).to_be_visible()
    expect(phone.locator("#record-failed")).to_contain_text("number")
