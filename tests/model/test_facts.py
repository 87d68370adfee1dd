"""The result types refuse what the public interface forbids."""

from __future__ import annotations

import pytest

from model import facts

NO_TRIM = facts.Trim("no metal", None, {"gold": 0.0, "platinum": 0.0, "no metal": 1.0}, None, None, None, ())


def reading(**changes: object) -> facts.Reading:
    values: dict[str, object] = {
        "id": "r1",
        "photo": facts.PhotoFacts(40, 30, "00"),
        "piece": facts.PieceFacts("not found", None, None),
        "light": None,
        "trim": NO_TRIM,
        "lines": None,
        "border": None,
        "candidates": (),
        "not_in_gallery_probability": 1.0,
        "strip_first_column_deg": None,
        "cautions": (),
    }
    return facts.Reading(**(values | changes))  # type: ignore[arg-type]


def test_cannot_tell_without_a_retake_is_refused() -> None:
    with pytest.raises(ValueError, match="one step"):
        facts.Trim("cannot tell", None, None, None, None, None, ("too dark",))


def test_a_gold_verdict_names_gold_as_its_metal() -> None:
    with pytest.raises(ValueError, match="verdict gold"):
        facts.Trim("gold", "platinum", None, None, None, None, ())


def test_probabilities_that_do_not_sum_to_one_are_refused() -> None:
    with pytest.raises(ValueError, match="sum to 1"):
        facts.Trim("no metal", None, {"gold": 0.2, "platinum": 0.2}, None, None, None, ())


@pytest.mark.parametrize("share", [-0.01, 1.01])
def test_a_share_outside_nought_to_one_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match="visible_share"):
        facts.Rim(None, None, share)


def test_a_rim_curve_of_few_points_is_refused() -> None:
    with pytest.raises(ValueError, match="64 points"):
        facts.Rim(((0.0, 0.0),) * 63, None, 1.0)


def test_size_says_where_it_comes_from_under_the_public_name() -> None:
    piece = facts.PieceFacts("found", None, None, facts.Size(254.0, 250.0, 258.0, "paper"))
    size = reading(piece=piece).to_json()["piece"]["size"]
    assert size == {"diameter_mm": 254.0, "low_mm": 250.0, "high_mm": 258.0, "from": "paper"}


def test_the_public_form_has_exactly_the_published_names() -> None:
    published = {
        "id", "photo", "piece", "light", "trim", "lines", "border", "candidates",
        "not_in_gallery_probability", "cautions", "timing_ms",
    }  # fmt: skip
    assert set(reading().to_json()) == published | {"strip_first_column_deg"}
