"""The register at the desk: written down by keyboard, faults at their fields, corrected, removed, undone."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect


def press_undo(page: Page) -> None:
    page.locator("#notice").get_by_role("button", name="Undo").click()
    expect(page.locator("#notice")).to_contain_text("Undone.", timeout=15_000)


def test_every_fault_is_shown_at_its_field_at_once_and_the_piece_is_kept_by_keyboard(
    desk: Page, check_axe: Callable[[Page], None], shot: Callable[[Page, str], None]
) -> None:
    desk.goto("/register/new/piece")
    desk.get_by_label("Line", exact=True).fill("No Such Line")
    desk.get_by_label("How many").fill("several")
    desk.get_by_role("button", name="Add to trim wear").press("Enter")
    desk.get_by_role("group", name="Trim wear by clock position 1").get_by_label("Clock").fill("3")
    desk.get_by_role("button", name="Keep").press("Enter")
    faults = desk.get_by_role("alert")
    expect(faults).to_contain_text("Not kept yet")
    expect(faults).to_be_focused()
    for name in ("Number", "Kind of piece", "Line", "How many", "Score"):
        assert faults.locator("a", has_text=re.compile(f"^{name}:")).count() == 1, name
    assert desk.locator("[aria-invalid=true]").count() == 5
    line = desk.get_by_label("Line", exact=True)
    expect(line).to_have_accessible_description(re.compile("'No Such Line' is not in the register"))
    check_axe(desk)
    shot(desk, "desk-form-faults")
    desk.get_by_label("Line", exact=True).fill("Osmer")
    desk.get_by_label("How many").fill("2")
    desk.get_by_label("Score").fill("2")
    faults.get_by_role("link", name="Number: missing").first.press("Enter")
    desk.keyboard.type("T-900")
    desk.get_by_label("Kind of piece").fill("cup")
    desk.get_by_role("button", name="Add to decorations").press("Enter")
    desk.get_by_role("group", name="Decoration 1").get_by_label("Motif").fill("Marram")
    desk.get_by_role("group", name="Decoration 1").get_by_label("Metal").select_option("platinum")
    desk.get_by_role("button", name="Keep").press("Enter")
    desk.wait_for_url("**/register/records/piece/**")
    said = desk.inner_text("main")
    for words in ("T-900", "cup, 2 of them", "Osmer", "Marram", "platinum", "3 o’clock: 2"):
        assert words in said, words
    press_undo(desk)
    desk.goto("/register?q=T-900")
    assert "Nothing here goes by that." in desk.inner_text("main")


def test_a_correction_sends_what_was_changed_and_stands_in_the_history(desk: Page, served: Any) -> None:
    desk.goto("/register/records/piece/D12")
    desk.get_by_role("link", name="Correct", exact=True).click()
    sent: list[str] = []
    desk.on(
        "request", lambda request: sent.append(request.post_data or "") if request.method == "PATCH" else None
    )
    desk.get_by_label("Where kept").fill("the tall cupboard")
    desk.get_by_role("button", name="Keep").click()
    desk.wait_for_url("**/register/records/piece/**")
    assert sent == ['{"kept_at":"the tall cupboard"}']
    assert "the tall cupboard" in desk.inner_text("#piece")
    history = desk.locator(".log li").first
    expect(history).to_contain_text("Correct piece")
    expect(history).to_contain_text("the tall cupboard")
    history.get_by_role("button", name="Undo").click()
    expect(desk.locator("#notice")).to_contain_text("Undone.", timeout=15_000)
    with served.client() as client:
        assert client.get("/api/register/records/piece/D12").json()["kept_at"] != "the tall cupboard"


def test_leaving_a_form_untouched_changes_nothing(desk: Page) -> None:
    desk.goto("/register/edit/piece/D1")
    desk.get_by_role("button", name="Keep").click()
    expect(desk.locator("#notice")).to_contain_text("Nothing was different.", timeout=15_000)


def test_evidence_about_a_piece_moves_its_bracket_and_goes_again(desk: Page) -> None:
    desk.goto("/register/records/piece/D13")
    before = desk.locator("#made + p").inner_text()
    desk.get_by_role("link", name="Add evidence").click()
    desk.get_by_label("Kind", exact=False).first.select_option("catalogue")
    desk.get_by_label("Citation").fill("page 4 of an invented catalogue")
    desk.get_by_label("Date").fill("199u")
    desk.get_by_role("button", name="Keep").click()
    expect(desk.locator("#date-fault")).to_contain_text("199X")
    desk.get_by_label("Date").fill("1922")
    desk.get_by_label("Bearing").select_option("not before")
    desk.get_by_role("button", name="Keep").click()
    desk.wait_for_url("**/register/records/piece/**")
    assert "page 4 of an invented catalogue" in desk.inner_text("main")
    press_undo(desk)
    assert desk.locator("#made + p").inner_text() == before


def test_a_piece_is_removed_and_comes_back(desk: Page) -> None:
    desk.goto("/register/records/piece/D14")
    desk.get_by_role("button", name="Remove", exact=True).click()
    desk.wait_for_url("**/register")
    expect(desk.locator("#notice")).to_contain_text("Piece D14 was removed.", timeout=15_000)
    press_undo(desk)
    desk.goto("/register/records/piece/D14")
    assert "D14" in desk.inner_text("h1")


def test_a_blank_of_the_grid_becomes_a_want(desk: Page) -> None:
    desk.goto("/register/grid")
    desk.get_by_role("link", name="Kelp Knot on Corrick, gold: none in this register").click()
    assert desk.get_by_label("Motif").input_value() == "Kelp Knot"
    desk.get_by_role("button", name="Keep").click()
    desk.wait_for_url("**/register/records/want/**")
    press_undo(desk)


def test_a_photo_joins_a_piece_and_is_taken_off_again(
    desk: Page, read_once: Callable[[str], dict[str, Any]]
) -> None:
    reading = read_once("05-tidewrack-gold-rimmed-plate.jpg")
    photo = Path(__file__).resolve().parents[2] / "service/demo/photos/05-tidewrack-gold-rimmed-plate.jpg"
    desk.route("**/api/readings", lambda route: route.fulfill(status=201, json=reading))  # read before
    desk.goto("/register/records/piece/D2")
    desk.get_by_text("Add a photo").click()
    desk.locator("#add-photo input").set_input_files(photo)
    desk.get_by_role("button", name="Add it").click()
    expect(desk.locator("#notice")).to_contain_text("The rim photo was added.", timeout=15_000)
    assert desk.locator(f"a[href='/readings/{reading['id']}']").count() == 1
    desk.get_by_role("button", name="Take the rim photo off this piece").click()
    expect(desk.locator("#notice")).to_contain_text("taken off", timeout=15_000)
    assert desk.locator(f"a[href='/readings/{reading['id']}']").count() == 0


def test_a_piece_says_what_clashes_over_it(desk: Page) -> None:
    desk.goto("/register/records/piece/X4")
    expect(desk.locator("#questions")).to_contain_text(
        "Conflict: The dated evidence of piece X4", timeout=15_000
    )
