"""Gallery, many photos at once, and exchange at the desk: each change with its undo, each photo read once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect

DEMO = Path(__file__).resolve().parents[2] / "service/demo/photos"
PHOTOS = [DEMO / "05-tidewrack-gold-rimmed-plate.jpg", DEMO / "01-quern-leaf-platinum-oval-platter.jpg"]
SLOW_MS = 60_000  # readings, on a machine that does other things


def count_gallery(served: Any) -> int:
    with served.client() as client:
        return int(client.get("/api/gallery").json()["total"])


def test_a_label_is_corrected_in_place_and_undone(desk: Page) -> None:
    desk.goto("/gallery?motif=Marram")
    desk.get_by_role("button", name="Correct the labels of Marram").first.click()
    dialog = desk.get_by_role("dialog")
    expect(dialog.get_by_label("Motif")).to_have_value("Marram")
    dialog.get_by_label("Motif").fill("")
    dialog.get_by_role("button", name="Keep").click()
    expect(dialog.get_by_role("alert")).to_contain_text("motif")
    dialog.get_by_label("Motif").fill("Weir Lattice")
    dialog.get_by_role("button", name="Keep").click()
    notice = desk.locator("#notice")
    expect(notice).to_contain_text("Kept as Weir Lattice.", timeout=15_000)
    notice.get_by_role("button", name="Undo").click()
    expect(notice).to_contain_text("Undone.", timeout=15_000)


def test_neighbours_that_speak_against_a_label_are_shown_with_both_photos(desk: Page, served: Any) -> None:
    desk.goto("/gallery?motif=Marram")
    desk.get_by_role("button", name="Correct the labels of Marram").first.click()
    desk.get_by_role("dialog").get_by_label("Motif").fill("Weir Lattice")
    desk.get_by_role("dialog").get_by_role("button", name="Keep").click()
    expect(desk.locator("#notice")).to_contain_text("Kept as Weir Lattice.", timeout=15_000)
    desk.goto("/gallery")
    doubts = desk.get_by_role("region", name="Labels to look at again")
    expect(doubts).to_be_visible(timeout=15_000)
    first = doubts.get_by_role("listitem").first
    assert first.get_by_role("img").count() == 2
    first.get_by_role("link", name="Compare the two").click()
    assert "Compare two borders" in desk.inner_text("h1")
    with served.client() as client:
        assert client.post("/api/undo", json={}).status_code == 200


def test_many_photos_survive_a_pause_and_a_reload_are_read_once_and_confirmed_together(
    desk: Page, served: Any, check_axe: Any, shot: Any
) -> None:
    before = count_gallery(served)
    sent: list[str] = []
    desk.on(
        "request", lambda r: sent.append(r.url) if r.method == "POST" and "/api/readings" in r.url else None
    )
    desk.goto("/import")
    desk.evaluate("localStorage.setItem('rimlight-import-paused', 'yes')")
    desk.reload()
    desk.locator("#files").set_input_files([*PHOTOS, Path(__file__)])
    expect(desk.locator("#notice")).to_contain_text("2 new photos; 1 are no photos.")
    expect(desk.locator("#said")).to_contain_text("0 of 2 done; paused.")
    desk.reload()
    expect(desk.locator("#said")).to_contain_text("0 of 2 done; paused.")
    desk.get_by_role("button", name="Go on").click()
    expect(desk.locator("#said")).to_contain_text("2 of 2 done.", timeout=SLOW_MS)
    desk.locator("#files").set_input_files(PHOTOS)
    expect(desk.locator("#notice")).to_contain_text("0 new photos; 2 were on the list already.")
    assert len(sent) == 2
    rows = desk.locator("#rows tr")
    assert "Tidewrack" in rows.nth(0).inner_text()
    check_axe(desk)
    shot(desk, "desk-import-read")
    for row in rows.all():
        row.get_by_role("checkbox").check()
    desk.get_by_role("button", name="Confirm 2 chosen").click()
    notice = desk.locator("#notice")
    expect(notice).to_contain_text("2 photos are in the gallery.", timeout=15_000)
    assert count_gallery(served) == before + 2
    notice.get_by_role("button", name="Undo").click()
    expect(notice).to_contain_text("2 taken back.", timeout=15_000)
    assert count_gallery(served) == before


def test_an_archive_is_looked_into_and_says_that_it_brings_nothing(
    desk: Page, served: Any, tmp_path: Path
) -> None:
    desk.goto("/exchange")
    with desk.expect_download(timeout=SLOW_MS) as going:
        desk.get_by_role("link", name="Everything", exact=True).click()
    archive = tmp_path / "rimlight.zip"
    going.value.save_as(archive)
    desk.get_by_label("Archive (ZIP)").set_input_files(archive)
    desk.get_by_role("button", name="Look into it").click()
    merging = desk.get_by_role("region", name="Bring in somebody’s archive")
    expect(merging).to_contain_text("photos are here already, 0 are new.", timeout=SLOW_MS)


def test_a_table_is_judged_row_by_row_taken_in_and_undone(desk: Page, tmp_path: Path) -> None:
    table = tmp_path / "pieces.csv"
    table.write_text("number,piece\nT-77,cup\nD1,cup\n", encoding="utf-8")
    desk.goto("/exchange")
    desk.get_by_label("Table (CSV)").set_input_files(table)
    desk.get_by_role("button", name="Look at every row").click()
    expect(desk.get_by_role("row", name="2 T-77 new")).to_be_visible()
    assert "different" in desk.get_by_role("row", name="3 D1").inner_text()
    desk.get_by_role("button", name="Take the new rows in").click()
    notice = desk.locator("#notice")
    expect(notice).to_contain_text("1 pieces came in.", timeout=15_000)
    notice.get_by_role("button", name="Undo").click()
    expect(notice).to_contain_text("Undone.", timeout=15_000)
