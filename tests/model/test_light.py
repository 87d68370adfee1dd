"""The white point: evidence is used, clipped pixels are not, doubt is stated."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import cv2
import numpy as np
import pytest

from model import colour, light
from model.errors import RecipeError
from model.light import find_light, fuse_light, load_recipe
from model.light_evidence import measure_point
from model.photo import Photo, photo_from_rgb
from model.piece import Piece

with warnings.catch_warnings():  # the library warns that a plotting package is absent; nothing is plotted
    warnings.simplefilter("ignore")
    import colour as reference

CAST = np.array([1.25, 1.0, 0.7])
NO_PIECE = Piece("not found", None, None)


def table_scene(cast: np.ndarray, sheet: float = 0.85, seed: int = 1) -> Photo:
    """A brown table with a sheet of paper of that reflectance and a grey card, under a cast."""
    rng = np.random.default_rng(seed)
    scene = np.ones((300, 400, 3)) * [0.30, 0.20, 0.12]
    scene *= np.exp(0.15 * cv2.GaussianBlur(rng.standard_normal((300, 400, 1)), (0, 0), 3))[..., None] ** 3
    corners = np.array([[40, 40], [190, 60], [170, 250], [20, 230]])
    cv2.fillPoly(scene, [corners], [sheet] * 3)
    scene[100:200, 260:360] = 0.18
    scene = scene * cast + rng.normal(0, 0.002, scene.shape)
    return photo_from_rgb(colour.srgb_bytes(np.clip(scene, 0, 1)))


def test_a_tapped_grey_spot_gives_the_light() -> None:
    found = find_light(table_scene(CAST), NO_PIECE, neutral=(310.0, 150.0))
    assert colour.angle_deg(found.white_rgb, CAST) < 1.5
    assert "point" in found.evidence


def test_a_sheet_of_paper_is_found_and_gives_the_light() -> None:
    found = find_light(table_scene(CAST * 0.75), NO_PIECE)
    # A pale region counts as paper by name only where its corners were found as a sheet's.
    assert "paper" not in found.evidence and "scene" in found.evidence
    error = colour.angle_deg(found.white_rgb, CAST)
    assert error < 3.0
    assert error <= found.uncertainty_deg


def test_given_corners_of_the_paper_are_used() -> None:
    corners = np.array([[40.0, 40.0], [190.0, 60.0], [170.0, 250.0], [20.0, 230.0]])
    found = find_light(table_scene(CAST * 0.75), Piece("not found", None, None, paper=corners))
    assert "paper" in found.evidence
    assert colour.angle_deg(found.white_rgb, CAST) < 3.0


def test_clipped_paper_is_no_evidence() -> None:
    assert "paper" not in find_light(table_scene(CAST, sheet=1.4), NO_PIECE).evidence


def test_a_clipped_or_black_spot_is_no_evidence() -> None:
    white = photo_from_rgb(np.full((100, 100, 3), 255, np.uint8))
    black = photo_from_rgb(np.zeros((100, 100, 3), np.uint8))
    assert measure_point(white, (50, 50)) is None
    assert measure_point(black, (50, 50)) is None


def test_without_any_evidence_the_light_is_guessed_and_the_doubt_is_large() -> None:
    found = fuse_light({}, load_recipe())
    assert found.evidence == ()
    assert found.uncertainty_deg > 5
    assert colour.angle_deg(found.white_rgb, np.ones(3)) < 12


def test_evidence_that_agrees_narrows_and_evidence_that_clashes_widens() -> None:
    recipe = load_recipe()
    warm = colour.log_chromaticity(CAST)
    alone = fuse_light({"highlights": warm}, recipe)
    together = fuse_light({"paper": warm, "highlights": warm}, recipe)
    clash = fuse_light({"paper": warm, "highlights": -warm}, recipe)
    agree = fuse_light({"paper": warm, "highlights": warm}, recipe)
    assert together.uncertainty_deg < alone.uncertainty_deg
    assert clash.uncertainty_deg > agree.uncertainty_deg


def test_one_wild_witness_does_not_carry_the_answer() -> None:
    neutral = np.zeros(2)
    found = fuse_light(
        {"paper": neutral, "glaze": neutral, "highlights": np.array([0.7, -1.2])},
        load_recipe(),
    )
    assert colour.angle_deg(found.white_rgb, np.ones(3)) < 2.5


@pytest.mark.parametrize("name", ["A", "D50", "D65", "FL2", "FL11", "LED-B1", "LED-B3", "LED-B5"])
def test_a_grey_patch_under_each_cie_source_gives_its_white(name: str) -> None:
    """White points: CIE 15, as tabulated by colour-science; patch: ColorChecker neutral 5, Y .1906."""
    xy = reference.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]
    white = colour.linear_rgb_from_xy(*xy)
    patch = np.ones((120, 120, 3)) * 0.1906 * white / colour.luminance(white)
    found = find_light(photo_from_rgb(colour.srgb_bytes(patch)), NO_PIECE, neutral=(60, 60))
    assert colour.angle_deg(found.white_rgb, white) < 2.0


def test_a_missing_or_foreign_recipe_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for text in ("", json.dumps({"format": 99})):
        path = tmp_path / "light.json"
        path.write_text(text, encoding="utf-8")
        monkeypatch.setattr(light, "RECIPE", path)
        load_recipe.cache_clear()
        with pytest.raises(RecipeError, match="light recipe"):
            load_recipe()
    monkeypatch.undo()
    load_recipe.cache_clear()
