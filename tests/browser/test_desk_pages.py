"""Every page of the desk on a phone and a wide screen: none too wide, nothing for axe-core, large targets."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page

LISTS = (
    "/register",
    "/register?kind=motif",
    "/register?kind=everything&q=osmer",
    "/register?motif=None+such",
    "/register/grid",
    "/register/timeline",
    "/register/order",
    "/register/questions",
    "/register/overlaps",
    "/register/news",
    "/register/wants",
    "/register/duplicates",
    "/register/sets",
    "/register/merges",
    "/register/numbers?number=OS-114&code=V28",
    "/register/changes",
)
RECORDS = (
    "/register/records/piece/D1",
    "/register/records/piece/X4",
    "/register/records/motif/kelp-knot",
    "/register/records/evidence/demo-odd-4-source-0",
    "/register/new/piece",
    "/register/edit/piece/D1",
    "/register/new/mark?piece_id=demo-piece-001",
    "/register/new/opinion?about_kind=decoration&about_id=demo-odd-2-seen",
    "/register/new/evidence",
    "/register/nothing-here",
)
OTHERS = (
    "/gallery",
    "/compare",
    "/import",
    "/exchange",
    "/register/print",
    "/register/label/D1",
    "/register/sheet?q=Kelp+Knot&drawings=true",
    "/help",
    "/more",
)
WIDE = (*LISTS[::2], *RECORDS[::3], *OTHERS[::2], "/register/grid", "/register/records/piece/D1")
LAID_OTHERWISE = (
    "/register",
    "/register/grid",
    "/register/records/piece/D1",
    "/register/edit/piece/D1",
    "/more",
)
SMALLEST_PX = 47.5  # a target of 48 with what rounding takes
TARGETS = "a.button, button, select, input:not([type=hidden], [type=checkbox], [type=radio])"
FIND_SMALL = """([least, targets]) => [...document.querySelectorAll(targets)]
    .map((e) => [e, e.getBoundingClientRect()])
    .filter(([, box]) => box.width > 1 && box.height > 1 && box.height < least)
    .map(([e]) => e.outerHTML.slice(0, 120))"""


@pytest.mark.parametrize("addresses", [LISTS, RECORDS, OTHERS], ids=["lists", "records", "others"])
def test_the_desks_pages_fit_a_phone_and_axe_finds_nothing(
    phone: Page,
    check_axe: Callable[[Page], None],
    shot: Callable[[Page, str], None],
    addresses: tuple[str, ...],
) -> None:
    for address in addresses:
        phone.goto(address)
        check_axe(phone)
        assert phone.evaluate("document.documentElement.scrollWidth") <= 390, address
        assert phone.evaluate(FIND_SMALL, [SMALLEST_PX, TARGETS]) == [], address
        shot(phone, name_shot("phone", address))


def test_the_desks_pages_fit_a_wide_screen_and_axe_finds_nothing_where_it_lies_otherwise(
    desk: Page, check_axe: Callable[[Page], None], shot: Callable[[Page, str], None]
) -> None:
    for address in WIDE:
        desk.goto(address)
        assert desk.evaluate("document.documentElement.scrollWidth") <= 1280, address
        assert desk.evaluate(FIND_SMALL, [SMALLEST_PX, TARGETS]) == [], address
        shot(desk, name_shot("desk", address))
        if address in LAID_OTHERWISE:
            check_axe(desk)


def name_shot(size: str, address: str) -> str:
    return size + re.sub(r"[^a-z0-9]+", "-", address.lower())[:60]


def test_two_borders_are_laid_on_each_other_and_the_lower_strip_slides(
    desk: Page, served: Any, check_axe: Callable[[Page], None]
) -> None:
    with served.client() as client:
        items = client.get("/api/gallery", params={"motif": "Tidewrack"}).json()["items"]
    one, other = [item["reading_id"] for item in items if item["matchable"]][:2]
    desk.goto(f"/compare?one={one}")
    desk.get_by_label("Second photo").select_option(value=other)
    desk.get_by_role("button", name="Compare").click()
    assert "Laid on each other the prints" in desk.inner_text("main")
    assert (
        desk.locator("img[alt^='The second print laid on the first']").evaluate(
            "(i) => i.decode().then(() => i.naturalWidth)"
        )
        > 100
    )
    rows = desk.get_by_role("table", name="What agrees and what differs")
    assert rows.get_by_role("row", name="Motif, as labelled Tidewrack Tidewrack agrees").count() == 1
    slide = desk.get_by_label("Slide the lower one")
    slide.focus()
    desk.keyboard.press("ArrowRight")
    assert "translateX(0.5%)" in desk.locator("#lower").get_attribute("style")
    check_axe(desk)
