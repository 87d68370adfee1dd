"""Camera, pieces and truth of the renderer's geometry; no renderer needed."""

import cv2
import numpy as np
import pytest

from training.render.camera import aim_camera, focal_in_pixels
from training.render.manifest import make_manifest, motif_of, plan_of
from training.render.pieces import HOLLOW, SHAPES, build_piece
from training.render.plan import draw_plan
from training.render.stage import build_stage
from training.render.truth import fit_lip_ellipse, outline_polygon, project_lip, rim_angles_deg

DEMO = ("demo/marram/full", "demo/pip-row/open", "demo/gorse-spray/filled")


def stage_of(seed=5, **told):
    row = {"seed": seed, "set": "samples", "style": "exam", "told": told}
    plan = plan_of(row)
    return build_stage(plan, motif_of(plan), (400, 300))


@pytest.mark.parametrize(
    ("tilt", "long", "short", "shift"), [(45.0, 258.199, 185.592, 33.333), (30.0, 256.073, 223.577, 28.394)]
)
def test_a_tilted_circle_projects_to_the_worked_ellipse(tilt, long, short, shift):
    """f = 1000 px, 500 mm away, R = 127 mm: computed by hand from the conic C' = H^-T C H^-1."""
    camera = aim_camera((0, 0, 0), tilt, -90.0, 0.0, 500.0, 1000.0, (1200, 900))
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    circle = np.stack([127 * np.cos(turn), 127 * np.sin(turn), 0 * turn], 1)
    centre, axes, _ = cv2.fitEllipseDirect(camera.project(circle).astype(np.float32)[:, None])
    assert sorted(axes) == pytest.approx([2 * short, 2 * long], abs=0.05)
    assert centre[0] == pytest.approx(600.0, abs=0.02)
    assert centre[1] - 450.0 == pytest.approx(shift, abs=0.05)


def test_the_35_mm_equivalent_follows_the_diagonal():
    """A 36 x 24 mm frame has a diagonal of 43.27 mm (definition of the equivalent)."""
    assert focal_in_pixels(43.2666, 3000, 4000) == pytest.approx(5000.0)


def test_a_roll_turns_the_picture_about_its_middle():
    point = (60.0, 10.0, 5.0)
    upright = aim_camera((0, 0, 0), 30, -90, 0, 500, 1000, (1200, 900)).project(point) - (600, 450)
    rolled = aim_camera((0, 0, 0), 30, -90, 90, 500, 1000, (1200, 900)).project(point) - (600, 450)
    assert np.hypot(*rolled) == pytest.approx(np.hypot(*upright))
    assert abs(float(np.dot(rolled, upright))) < 1e-6


@pytest.mark.parametrize("shape", SHAPES)
def test_every_piece_is_closed_and_its_strip_faces_the_right_way(shape):
    piece = build_piece(shape, 48.0 if shape in HOLLOW else 120.0, 22.0, np.random.default_rng(3))
    assert np.isfinite(piece.rest.vertices).all()
    np.testing.assert_allclose(piece.strip_points[:, 0], piece.strip_points[:, -1], atol=1e-6)
    middle = piece.strip_normals[len(piece.strip_normals) // 2]
    outward = (middle[:, :2] * piece.strip_points[len(piece.strip_points) // 2, :, :2]).sum(1)
    if shape in HOLLOW:
        assert (outward > 0).all()
    else:
        assert (middle[:, 2] > 0.2).all()
    assert np.diff(piece.strip_across_mm).min() > 0


@pytest.mark.parametrize("shape", ["rimmed plate", "oval platter", "square plate"])
def test_the_lip_is_as_wide_as_the_piece_is_said_to_be(shape):
    piece = build_piece(shape, 120.0, 26.0, np.random.default_rng(1))
    across = np.ptp(piece.lip_points[:, 0])
    assert across == pytest.approx(piece.diameter_mm, rel=1e-3)
    assert across == pytest.approx(240.0, rel=0.02)


def test_strip_runs_clockwise_from_above_on_plates_and_the_other_way_on_cups():
    plate = build_piece("rimmed plate", 120.0, 26.0, np.random.default_rng(1)).lip_points
    cup = build_piece("cup", 45.0, 20.0, np.random.default_rng(1)).lip_points
    assert np.cross(plate[0] * (1, 1, 0), plate[5] * (1, 1, 0))[2] < 0
    assert np.cross(cup[0] * (1, 1, 0), cup[5] * (1, 1, 0))[2] > 0


def test_the_rim_curve_starts_topmost_and_runs_clockwise():
    stage = stage_of(shape="rimmed plate", framing="whole", motif_id=DEMO[0])
    curve, topmost = project_lip(stage)
    assert curve.shape[0] >= 64
    assert curve[0, 1] == pytest.approx(curve[:, 1].min())
    area = cv2.contourArea(curve.astype(np.float32), oriented=True)
    assert area > 0  # y runs down, so clockwise as seen is positive
    assert rim_angles_deg(stage.piece.lip_points[:-1], topmost)[topmost] == 0.0


def test_the_stated_ellipse_lies_on_the_rim_curve():
    stage = stage_of(shape="coupe plate", framing="whole", motif_id=DEMO[0])
    curve, _ = project_lip(stage)
    found = fit_lip_ellipse(stage, curve)
    turn = np.radians(found["angle_deg"])
    away = curve - (found["cx"], found["cy"])
    along = away @ (np.cos(turn), np.sin(turn))
    across = away @ (-np.sin(turn), np.cos(turn))
    level = (along / found["semi_major"]) ** 2 + (across / found["semi_minor"]) ** 2
    assert np.abs(level - 1).max() < 0.01


def test_squares_and_scallops_have_no_ellipse():
    stage = stage_of(shape="square plate", framing="whole", motif_id=DEMO[0])
    assert fit_lip_ellipse(stage, project_lip(stage)[0]) is None


def test_a_whole_view_keeps_the_lip_in_the_frame():
    for seed in range(8):
        stage = stage_of(seed, framing="whole", shape="rimmed plate", paper=None)
        curve, _ = project_lip(stage)
        size = (stage.camera.width_px, stage.camera.height_px)
        assert (curve >= 0).all() and (curve <= size).all()


def test_the_outline_of_a_coarse_mask_is_in_photo_pixels():
    mask = np.zeros((30, 40), bool)
    mask[10:20, 5:25] = True
    polygon = np.array(outline_polygon(mask, 4))
    assert polygon[:, 0].min() == pytest.approx(22.0) and polygon[:, 0].max() == pytest.approx(98.0)
    assert outline_polygon(np.zeros((5, 5), bool), 4) is None


def test_the_same_seed_draws_the_same_scene():
    one, two = stage_of(11), stage_of(11)
    np.testing.assert_array_equal(one.decoration.metal, two.decoration.metal)
    np.testing.assert_array_equal(one.camera.origin, two.camera.origin)


def test_telling_one_choice_leaves_the_rest_of_the_scene():
    plain = draw_plan(21, DEMO, "exam", paper=None)
    with_paper = draw_plan(21, DEMO, "exam", paper="A4")
    assert plain.paper is None and with_paper.paper == "A4"
    assert plain.tilt_deg == with_paper.tilt_deg and plain.lights == with_paper.lights
    assert plain.glaze == with_paper.glaze and plain.metal == with_paper.metal


def test_an_unknown_choice_is_refused():
    with pytest.raises(ValueError, match="colour_of_the_sky"):
        draw_plan(1, DEMO, "exam", colour_of_the_sky="blue")


def test_sets_share_no_seed_and_unknown_motifs_stay_out_of_the_gallery():
    exam, fit = make_manifest("exam", 120), make_manifest("fit", 40)
    assert not {row["seed"] for row in exam} & {row["seed"] for row in fit}
    shown = {row["told"]["motif_id"] for row in exam if row["role"] == "gallery"}
    outside = {row["told"]["motif_id"] for row in exam if row["role"] == "unknown"}
    queried = {row["told"]["motif_id"] for row in exam if row["role"] == "query"}
    assert outside and not outside & shown
    assert queried <= shown
