"""The exam on photos: roles kept apart, unreadable photos are misses, variants and strangers judged."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from model.network import Embedder
from training.dataset import encode_windows
from training.evaluate_motif import embed_with
from training.evaluate_photos import run_photo_exam
from training.exam_motif import PhotoView, view_photos
from training.exam_readings import read_one, take_colour_out
from training.sources import LARGEST_FAMILY, LibrarySource
from training.views import View, draw_view


def photo(name: str, role: str, view: View, variant: str = "first") -> PhotoView:
    plan = {"shape": "round plate", "framing": "whole", "wear": "sound"}
    border = {"repeats": 24, "symmetry": "p1m1", "layout": "continuous"}
    truth = {"role": role, "motif_id": str(view.motif), "plan": plan, "border": border}
    vectors = embed_with(Embedder.load(threads=1))(view.windows)
    return PhotoView(name, truth, str(view.motif), variant, border | {"repeats": 23}, view, vectors)


def test_the_photo_exam_counts_queries_misses_and_strangers():
    source = LibrarySource("train", 8, 0, 0.0)
    numbers = [k * LARGEST_FAMILY for k in range(8)]
    photos = [photo(f"g{n}", "gallery", draw_view(source, n, 1)) for n in numbers[:6]]
    photos.append(photo("g again", "gallery", draw_view(source, numbers[0], 2), "other"))
    photos += [photo(f"q{n}", "query", draw_view(source, n, 1)) for n in numbers[:5]]
    photos.append(photo("lost", "query", View(numbers[5], encode_windows([]), np.empty(0, np.float32))))
    photos += [photo(f"u{n}", "unknown", draw_view(source, n, 1)) for n in numbers[6:]]
    result = run_photo_exam(photos, sift=False)
    assert result["photos"] == {"gallery": 7, "query": 6, "unknown": 2}
    # The same pictures stand in the gallery, so all but the lost one are found by anything that works.
    assert result["by gallery photos"]["1"]["recall_at_1"]["share"] == round(5 / 6, 4)
    assert result["where both have windows"]["recall_at_1"]["share"] == 1.0
    assert result["baselines"]["imagenet features"]["recall_at_1"]["share"] == round(5 / 6, 4)
    assert result["queries"][-1] == {"photo": "lost", "place": -1, "windows": 0}
    assert result["by"]["shape"]["round plate"]["n"] == 6
    assert result["variants"]["motif and variant right"] == {
        "share": 1.0,
        "n": 1,
        "interval_95": result["variants"]["motif and variant right"]["interval_95"],
    }
    assert result["strangers"]["unknown"]["n judged"] == [2, 5]
    assert result["border"]["repeats exact"]["share"] == 0.0
    assert result["border"]["symmetry right among told"]["share"] == 1.0


def test_a_file_that_is_no_photo_is_a_query_without_windows(tmp_path: Path):
    (tmp_path / "x.jpg").write_bytes(b"not a picture")
    (tmp_path / "x.json").write_text(json.dumps({"role": "query", "motif_id": "m"}), encoding="utf-8")
    read = read_one(tmp_path / "x.jpg", Embedder.load(threads=1))
    assert read.reading is None and read.failure
    (view,) = view_photos([read])
    assert view.motif == "m" and len(view.view.windows) == 0 and len(view.vectors) == 0


def test_a_photo_without_colour_is_still_a_photo():
    import cv2

    picture = np.random.default_rng(1).integers(0, 255, (60, 80, 3), dtype=np.uint8)
    grey = cv2.imdecode(
        np.frombuffer(take_colour_out(cv2.imencode(".png", picture)[1].tobytes()), np.uint8), 1
    )
    assert grey.shape == picture.shape
    assert np.abs(np.diff(grey.astype(int), axis=2)).max() <= 2
