"""Several photos of one piece: their evidence is pooled, and never counted for more than it is worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from model.facts import Border, Light, Line, Sector, Trim, as_plain
from model.lookup import Gallery, GalleryItem, look_up
from model.pooled_motif import MotifView, look_up_together
from model.pooled_trim import (
    PoolingRecipe,
    TrimView,
    count_effective,
    load_pooling,
    pool_chances,
    pool_probability,
    pool_trims,
)
from model.same_piece import find_fullest, pool_border, pool_lines, trim_from_json
from model.trim_reasons import take_again

DAYLIGHT = Light((1.0, 1.0, 1.0), 3.0, ("glaze",))
LAMP = Light((1.6, 1.0, 0.4), 3.0, ("paper",))
RECIPE = PoolingRecipe(0.8, 0.5, 0.4, 0.8, 0.4, 0.5, 0.995)


def unsure(gold: float, metal: float = 0.9, step: str = "paper beside it") -> Trim:
    chances = {"gold": metal * gold, "platinum": metal * (1 - gold), "no metal": 1 - metal}
    return Trim("cannot tell", None, chances, None, None, None, ("seen",), take_again(step))


def test_agreeing_photos_tighten_the_answer_and_disagreeing_ones_do_not() -> None:
    one = {"gold": 0.72, "platinum": 0.18, "no metal": 0.1}
    other = {"gold": 0.18, "platinum": 0.72, "no metal": 0.1}
    assert pool_chances([one, one], 1.5, RECIPE)["gold"] > one["gold"]
    assert pool_chances([one, other], 1.5, RECIPE)["gold"] == pytest.approx(0.45, abs=0.05)


def test_chances_still_sum_to_one() -> None:
    rng = np.random.default_rng(3)
    for _ in range(50):
        drawn = [
            dict(zip(("gold", "platinum", "no metal"), row, strict=True))
            for row in rng.dirichlet(np.ones(3), 3)
        ]
        assert sum(pool_chances(drawn, 2.0, RECIPE).values()) == pytest.approx(1, abs=1e-9)


def test_the_order_of_the_photos_does_not_matter() -> None:
    views = [TrimView(unsure(gold), light) for gold, light in ((0.9, LAMP), (0.6, DAYLIGHT), (0.3, LAMP))]
    first, last = pool_trims(views), pool_trims(views[::-1])
    assert first.probabilities == pytest.approx(last.probabilities)
    assert first.verdict == last.verdict


def test_photos_in_the_same_light_are_worth_fewer() -> None:
    same = count_effective([LAMP, LAMP], RECIPE)
    apart = count_effective([LAMP, DAYLIGHT], RECIPE)
    assert 1 < same < apart < 2
    # Two equally noisy measurements with correlation r are worth 2 / (1 + r) (Kish 1965, section 5.4).
    assert same == pytest.approx(2 / 1.8)


def test_a_photo_at_the_prior_says_nothing() -> None:
    assert pool_probability([0.8, 0.8, 0.8], 2.5, 0.8, 0.995) == pytest.approx(0.8)


def test_many_alike_photos_never_make_certainty() -> None:
    assert pool_probability([0.97] * 12, 12.0, 0.5, 0.995) == pytest.approx(0.995)
    assert pool_probability([0.999, 0.99], 2.0, 0.5, 0.995) == pytest.approx(0.999)


def test_a_photo_that_could_not_be_judged_changes_nothing() -> None:
    blind = Trim("cannot tell", None, None, None, None, None, ("no rim",), take_again("whole piece"))
    known = unsure(0.7)
    assert pool_trims([TrimView(blind, None), TrimView(known, LAMP)]) == known
    assert pool_trims([TrimView(blind, None), TrimView(blind, None)]) == blind


def test_what_was_photographed_already_is_not_asked_for_again() -> None:
    views = [TrimView(unsure(0.5), LAMP), TrimView(unsure(0.5), DAYLIGHT)]  # the lamp photo shows paper
    pooled = pool_trims(views)
    assert pooled.retake is not None
    assert pooled.retake.step != "paper beside it"


def test_how_much_is_left_in_one_photo_is_not_said_of_all() -> None:
    worn = replace(unsure(0.9), reasons=("About 85 % of the stamped area in view still carries metal.", "b"))
    pooled = pool_trims([TrimView(worn, LAMP), TrimView(unsure(0.6), DAYLIGHT)])
    assert "b" in pooled.reasons
    assert not any("stamped area" in reason for reason in pooled.reasons)


def test_photos_sure_of_different_metals_are_pointed_out() -> None:
    views = [TrimView(unsure(0.97, 0.97), LAMP), TrimView(unsure(0.03, 0.97), DAYLIGHT)]
    assert any("same piece" in sentence for sentence in pool_trims(views).reasons)


def test_remaining_share_is_a_mean_by_what_each_photo_shows() -> None:
    def told(share: float, sectors: int) -> Trim:
        arcs = tuple(Sector(10 * k, 10 * k + 10, share if k < sectors else None) for k in range(36))
        chances = {"gold": 0.99, "platinum": 0.005, "no metal": 0.005}
        return Trim("gold", "gold", chances, 0.2, share, arcs, ())

    pooled = pool_trims([TrimView(told(0.6, 30), LAMP), TrimView(told(0.9, 10), LAMP)])
    if pooled.remaining_share is not None:
        assert pooled.remaining_share == pytest.approx(0.675)
        assert pooled.sectors is not None and pooled.sectors[29].remaining_share == 0.6


def test_a_trim_comes_back_from_its_public_form() -> None:
    trim = replace(unsure(0.7), sectors=(Sector(0, 10, 0.5), Sector(10, 20, None)))
    again = trim_from_json(as_plain(trim) | {"a field of a later version": 1})
    assert as_plain(again) == as_plain(trim)


def test_lines_are_those_that_most_photos_show() -> None:
    gold = Trim("gold", "gold", {"gold": 1.0, "platinum": 0.0, "no metal": 0.0}, None, None, None, ())
    looked = [
        (Line("edge", "metal", 1.0), Line("verge", "red")),
        (Line("edge", "yellow", 1.4),),
        (Line("edge", "gold", 1.2),),
        None,
    ]
    assert pool_lines(looked, gold) == (Line("edge", "gold", 1.2),)
    assert pool_lines([None, None], gold) is None
    assert pool_lines([(), ()], gold) == ()


def test_the_border_is_counted_as_most_photos_count_it() -> None:
    counted = [Border("spaced", count, None, "p1m1") for count in (24, 12, 24)]
    assert pool_border([None, *counted]) == counted[0]
    assert pool_border([Border("continuous", None, None, None), counted[1]]) == counted[1]
    assert pool_border([None]) is None


def test_the_fullest_photo_is_the_one_that_shows_most_of_the_lip() -> None:
    assert find_fullest([None, 0.4, 0.9, 0.9]) == 2


def unit(rng: np.random.Generator, centre: np.ndarray, spread: float, count: int) -> np.ndarray:
    rows = centre + rng.normal(0, spread, (count, len(centre)))
    return (rows / np.linalg.norm(rows, axis=1, keepdims=True)).astype(np.float32)


def test_motif_evidence_of_two_photos_is_stronger_than_of_either() -> None:
    rng = np.random.default_rng(5)
    centres = rng.normal(0, 1, (6, 32))
    vectors = np.concatenate([unit(rng, centre, 0.4, 4) for centre in centres])
    items = tuple(GalleryItem(f"g{k}", f"m{k}", f"motif {k}") for k in range(6))
    gallery = Gallery(vectors, np.repeat(np.arange(6), 4), items)
    views = [MotifView(unit(rng, centres[2], 0.5, 5), np.ones(5, np.float32)) for _ in range(2)]
    together = look_up_together(views, gallery)
    alone = [look_up(view.vectors, view.weights, gallery) for view in views]
    assert together.candidates[0].motif_id == "m2"

    def margin(candidates: tuple) -> float:
        return float(np.log(candidates[0].probability / candidates[1].probability))

    assert margin(together.candidates) > np.mean([margin(one.candidates) for one in alone])
    total = sum(c.probability for c in together.candidates) + (together.not_in_gallery_probability or 0)
    assert total <= 1 + 1e-6


def test_one_photo_alone_is_looked_up_as_ever() -> None:
    rng = np.random.default_rng(8)
    vectors = unit(rng, rng.normal(0, 1, 16), 1.0, 8)
    items = tuple(GalleryItem(f"g{k}", f"m{k}", f"motif {k}") for k in range(4))
    gallery = Gallery(vectors, np.repeat(np.arange(4), 2), items)
    query, weights = vectors[:3], np.array([1, 0.5, 0.2], np.float32)
    together, alone = look_up_together([MotifView(query, weights)], gallery), look_up(query, weights, gallery)
    assert [c.gallery_id for c in together.candidates] == [c.gallery_id for c in alone.candidates]
    for one, other in zip(together.candidates, alone.candidates, strict=True):
        assert one.probability == pytest.approx(other.probability, rel=1e-4)


def test_the_shipped_numbers_are_sound() -> None:
    recipe = load_pooling()
    assert 0 <= recipe.other_light_correlation <= recipe.same_light_correlation <= 1
    assert 0.9 < recipe.most_sure < 1
