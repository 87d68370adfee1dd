"""Photos on a phone: one opens its answer, several are shown in order, those of one piece are read as one."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import FileChooser, Page, expect

PHOTOS = Path(__file__).resolve().parents[2] / "service" / "demo" / "photos"
FIRST = PHOTOS / "05-tidewrack-gold-rimmed-plate.jpg"
SECOND = PHOTOS / "06-tidewrack-platinum-rimmed-plate.jpg"
READ_MS = 90_000
ANSWER = re.compile(r"/readings/[0-9a-f]+$")
TOGETHER = re.compile(r"/same-piece\?reading=[0-9a-f]+&reading=[0-9a-f]+$")
# What the page weighs: everything but photos and what is made of them.
MOST_BYTES = 150_000


def take(page: Page, photo: Path) -> None:
    page.locator("#take input[capture]").set_input_files(str(photo))


def choose(page: Page, *photos: Path) -> None:
    page.locator("#take input[multiple]").set_input_files([str(photo) for photo in photos])


def test_one_photo_opens_its_answer_and_the_next_piece_follows_from_there(phone: Page) -> None:
    phone.goto("/")
    take(phone, FIRST)
    expect(phone.locator(".job")).to_have_count(1)
    expect(phone).to_have_url(ANSWER, timeout=READ_MS)
    expect(phone.locator("h1")).to_contain_text("Tidewrack")
    before = phone.url
    phone.locator("[data-intake=next]").set_input_files(str(SECOND))
    expect(phone).not_to_have_url(before, timeout=READ_MS)
    expect(phone).to_have_url(ANSWER)
    expect(phone.locator("#round-place")).to_contain_text("Answer 2 of 2")
    phone.locator("#round-back").click()
    expect(phone).to_have_url(before)


def test_several_photos_are_answered_in_the_list_and_shown_one_after_another(
    phone: Page, check_axe: Callable[[Page], None], shot: Callable[[Page, str], None]
) -> None:
    phone.goto("/")
    choose(phone, FIRST, SECOND)
    expect(phone.locator("#one-piece")).to_be_visible()
    check_axe(phone)
    expect(phone.locator(".done-card")).to_have_count(2, timeout=READ_MS)
    expect(phone.locator(".done-card").first).to_contain_text("Tidewrack")
    expect(phone).to_have_url(re.compile("/$"))
    check_axe(phone)
    shot(phone, "phone-several")
    phone.locator("#go-on").click()
    expect(phone.locator("#round-place")).to_contain_text("Answer 1 of 2")
    phone.locator("#round-on").click()
    expect(phone.locator("#round-place")).to_contain_text("Answer 2 of 2")
    expect(phone.locator("#round-on")).to_be_hidden()


def test_photos_of_one_piece_are_read_as_one(
    phone: Page, check_axe: Callable[[Page], None], shot: Callable[[Page, str], None]
) -> None:
    phone.goto("/")
    choose(phone, FIRST, SECOND)
    phone.get_by_label("one piece").check()
    expect(phone).to_have_url(TOGETHER, timeout=READ_MS)
    expect(phone.locator(".together img")).to_have_count(2)
    expect(phone.locator("h1")).to_contain_text("Tidewrack")
    check_axe(phone)
    shot(phone, "phone-one-piece")
    phone.locator("#own").click()
    expect(phone).to_have_url(re.compile(r"/piece\?with=[0-9a-f]+$"))
    assert phone.url.endswith(str(phone.locator("#piece").get_attribute("data-more")))


def test_another_photo_of_the_same_piece_joins_the_answer(
    phone: Page, read_once: Callable[[], dict[str, Any]]
) -> None:
    phone.goto(f"/readings/{read_once()['id']}")
    phone.locator(".thumb-bar [data-intake=same]").set_input_files(str(SECOND))
    expect(phone).to_have_url(TOGETHER, timeout=READ_MS)


def test_a_file_that_is_no_photo_says_so_and_can_be_left(
    phone: Page, tmp_path: Path, check_axe: Callable[[Page], None], shot: Callable[[Page, str], None]
) -> None:
    wrong = tmp_path / "list.jpg"
    wrong.write_text("no photo at all")
    phone.goto("/")
    choose(phone, wrong)
    expect(phone.locator(".job[data-step=failed]")).to_be_visible()
    expect(phone.locator(".job p")).not_to_be_empty()
    expect(phone.locator(".job progress")).to_be_hidden()
    check_axe(phone)
    shot(phone, "phone-no-photo")
    phone.get_by_role("button", name="Leave it").click()
    expect(phone.locator(".job")).to_have_count(0)


@pytest.mark.parametrize("which", ["capture", "multiple"])
def test_photos_are_taken_with_keys_alone(phone: Page, which: str) -> None:
    chosen: list[FileChooser] = []
    phone.on(
        "filechooser", lambda chooser: chosen.append(chooser)
    )  # from the start: asked late, it is missed
    phone.goto("/")
    phone.locator(f"#take input[{which}]").focus()
    assert phone.evaluate("getComputedStyle(document.activeElement.parentElement).outlineStyle") == "solid"
    phone.keyboard.press("Enter")
    for _ in range(100):
        if chosen:
            break
        phone.wait_for_timeout(100)
    assert [chooser.is_multiple() for chooser in chosen] == [which == "multiple"]


def measure_bytes(page: Page, address: str) -> dict[str, int]:
    """Bytes of a page and all that it loads but photos, uncompressed as they go over the network."""
    sizes: dict[str, int] = {}
    page.on(
        "response",
        lambda answer: (
            None
            if answer.request.resource_type in ("image", "fetch", "xhr") and "/static/" not in answer.url
            else sizes.update({answer.url.split("/", 3)[3] or "/": len(answer.body())})
        ),
    )
    page.goto(address, wait_until="networkidle")
    return sizes


@pytest.mark.parametrize("what", ["start", "answer", "piece"])
def test_the_page_weighs_little_without_photos(
    phone: Page, read_once: Callable[[], dict[str, Any]], what: str
) -> None:
    reading_id = read_once()["id"]
    address = {"start": "/", "answer": f"/readings/{reading_id}", "piece": f"/readings/{reading_id}/piece"}[
        what
    ]
    sizes = measure_bytes(phone, address)
    assert len(sizes) >= 6, sizes
    assert sum(sizes.values()) <= MOST_BYTES, sizes
    print(what, sum(sizes.values()), sizes)
