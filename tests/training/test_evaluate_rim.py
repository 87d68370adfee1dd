"""Reading truths and counting: the rim exam's own arithmetic."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from model.ellipse import sample_ellipse
from model.facts import Ellipse
from training.evaluate_rim import draw_sheet, group_shares, measure_folder, read_truths
from training.intervals import wilson_interval


def _scene(folder: Path) -> Ellipse:
    lip = Ellipse(160, 120, 90, 70, 0)
    picture = np.full((240, 320, 3), (60, 80, 110), np.uint8)
    cv2.fillPoly(
        picture, [np.round(sample_ellipse(lip) * 16).astype(np.int32)], (220, 226, 230), cv2.LINE_AA, 4
    )
    cv2.imwrite(str(folder / "plate.png"), cv2.GaussianBlur(picture, (0, 0), 0.8))
    return lip


def test_truths_are_read_from_labels_and_from_truth_files(tmp_path: Path) -> None:
    lip = _scene(tmp_path)
    (tmp_path / "plate.json").write_text(json.dumps({"rim": {"curve": sample_ellipse(lip).tolist()}}))
    assert [path.name for path, _, _ in read_truths(tmp_path)] == ["plate.png"]
    rows = measure_folder(tmp_path)
    assert rows[0]["iou"] > 0.95
    draw_sheet(rows, tmp_path / "sheet.jpg")
    assert (tmp_path / "sheet.jpg").stat().st_size > 1000
    (tmp_path / "labels.csv").write_text("file,cx,cy,major,minor,angle_deg\nplate.png,160,120,180,140,0\n")
    assert measure_folder(tmp_path)[0]["iou"] == pytest.approx(rows[0]["iou"], abs=0.01)


def test_the_interval_of_a_share_is_wilsons() -> None:
    # z = 1.96, 8 of 10: .4902 to .9433 by the closed formula of Wilson 1927, worked by hand
    assert wilson_interval(8, 10) == pytest.approx((0.4902, 0.9433), abs=1e-4)
    assert wilson_interval(0, 0) == (0.0, 1.0)


def test_shares_are_grouped_by_shape_and_framing() -> None:
    rows = [
        {"iou": 0.95, "label": {"piece": "cup", "plan": {"framing": "whole"}}},
        {"iou": 0.85, "label": {"piece": "bowl", "plan": {"framing": "whole"}}},
        {"iou": 0.1, "label": {}},
    ]
    shares = group_shares(rows)
    assert {"all", "cup", "bowl", "whole", "flatware", "hollowware"} <= set(shares)
    assert shares["all"]["IoU >= 0.8"]["n"] == 3 and shares["whole"]["IoU >= 0.9"]["share"] == 0.5
