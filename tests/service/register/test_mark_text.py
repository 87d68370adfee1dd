"""Text of base marks: the ring is found and unrolled; what is read is a suggestion; without a reader, words.

Marks are drawn with text that is known (`service.trials.marks`); truth is the drawing.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from service.register import mark_reader, mark_text
from service.register.mark_ring import find_rings, unroll_arc
from service.trials.marks import LAYOUTS, TURNS, bound_share, count_errors, draw_mark, score_lines

needs_reader = pytest.mark.skipif(not mark_text.can_read_marks(), reason="needs the extra ocr")


def grey(picture: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("shot", ["sharp", "blurred", "faint"])
def test_the_ring_that_letters_stand_on_is_found(turn: str, shot: str) -> None:
    mark = draw_mark("ring", turn, shot, np.random.default_rng(3))
    ring = find_rings(grey(mark.picture))[0]
    assert np.hypot(ring.centre_px[0] - 450, ring.centre_px[1] - 450) < 8
    assert ring.radius_px == pytest.approx(300, abs=6)
    assert len(ring.arcs_deg) == 2
    letters = sum(len(line.replace(" ", "")) for line in mark.lines[:2])
    assert len(ring.boxes) == pytest.approx(letters, abs=2)


def test_an_unrolled_arc_has_its_letters_in_a_row() -> None:
    mark = draw_mark("arc over", "upright", "sharp", np.random.default_rng(5))
    ring = find_rings(grey(mark.picture))[0]
    strip = grey(unroll_arc(mark.picture, ring, ring.arcs_deg[0]))
    _, ink = cv2.threshold(strip, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
    _, _, stats, middles = cv2.connectedComponentsWithStats(ink)
    letters = middles[1:][stats[1:, 3] > 0.5 * ring.letter_px]
    assert len(letters) >= 8
    assert np.ptp(letters[:, 1]) < 0.2 * ring.letter_px


def test_a_plain_base_has_no_ring() -> None:
    noise = np.random.default_rng(1).normal(230, 4, (600, 600))
    assert find_rings(np.clip(noise, 0, 255).astype(np.uint8)) == ()


def test_a_picture_of_any_size_is_no_trouble() -> None:
    for shape in ((1, 1), (3, 900), (40, 7)):
        assert find_rings(np.full(shape, 200, np.uint8)) == ()


def test_without_a_reader_it_says_how_to_get_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mark_text, "can_read_marks", lambda: False)
    suggestion = mark_text.suggest_mark_text(np.full((50, 50, 3), 200, np.uint8))
    assert suggestion.text == "" and suggestion.reason is not None
    assert "type the mark in" in suggestion.reason and "pip install" in suggestion.reason
    assert "suggestion" in suggestion.as_json()["caution"]


def test_the_reader_in_its_own_process_always_answers_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    assert mark_text.can_read_marks() or "type the mark in" in mark_reader.read_mark_photo(b"")["reason"]
    monkeypatch.setattr(mark_reader, "can_read_marks", lambda: True)
    assert mark_reader.read_mark_photo(b"no picture")["reason"] == mark_reader.STOPPED
    assert "too large" in mark_reader.read_mark_photo(bytes(mark_reader.MOST_BYTES + 1))["reason"]
    page = cv2.imencode(".jpg", np.full((90, 90, 3), 220, np.uint8))[1].tobytes()
    assert mark_reader.read_mark_photo(page, limit_s=0.01)["reason"] == mark_reader.STOPPED
    answer = mark_reader.read_mark_photo(page)
    assert answer["text"] == "" and answer["reason"] in (mark_text.MISSING, mark_text.NOTHING)


def test_letter_errors_are_counted() -> None:
    # Levenshtein's own kind of example, from memory: kitten to sitting takes three changes.
    assert count_errors("kitten", "sitting") == 3
    assert score_lines(["OSMER WARE", "x"], ["Osmer ware", "OS-114"]) == (1, 6, 15)


def test_the_interval_of_a_share_is_wilsons() -> None:
    # 81 of 263, 95 %: .2553 to .3662. R. G. Newcombe, Statistics in Medicine 17, 1998, table I, method 3
    # (from memory).
    assert bound_share(81, 263) == pytest.approx((0.2553, 0.3662), abs=1e-4)


@needs_reader
@pytest.mark.parametrize("layout", LAYOUTS)
def test_text_is_read_upright_and_upside_down(layout: str) -> None:
    for turn in TURNS[:2]:
        mark = draw_mark(layout, turn, "sharp", np.random.default_rng(8))
        read = mark_text.suggest_mark_text(mark.picture)
        exact, _, _ = score_lines([line.text for line in read.lines], mark.lines)
        assert exact == len(mark.lines), (mark.lines, read.text)
        assert read.reason is None


@needs_reader
def test_a_bare_base_gives_no_text_but_a_reason() -> None:
    read = mark_text.suggest_mark_text(np.full((300, 300, 3), 225, np.uint8))
    assert read.lines == () and read.reason is not None


@needs_reader
def test_a_mark_is_read_in_the_process_of_its_own() -> None:
    mark = draw_mark("ring", "upside down", "sharp", np.random.default_rng(8))
    jpeg = cv2.imencode(".jpg", mark.picture[..., ::-1])[1].tobytes()
    answer = mark_reader.read_mark_photo(jpeg)
    assert set(answer["text"].split("\n")) == set(mark.lines) and answer["reason"] is None
