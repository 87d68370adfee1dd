"""The exam on photos: roles kept apart, unreadable photos counted as misses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from model.network import WEIGHTS_FOLDER, Embedder
from training.dataset import encode_windows
from training.evaluate_photos import PhotoView, read_view, run_photo_exam
from training.sources import LARGEST_FAMILY, LibrarySource
from training.views import View, draw_view


def photo(name: str, role: str, view: View) -> PhotoView:
    plan = {"shape": "round plate", "framing": "whole", "wear": "sound"}
    return PhotoView(name, {"role": role, "motif_id": str(view.motif), "plan": plan}, view)


def test_the_photo_exam_counts_queries_misses_and_strangers():
    source = LibrarySource("train", 8, 0, 0.0)
    numbers = [k * LARGEST_FAMILY for k in range(8)]
    photos = [photo(f"g{n}", "gallery", draw_view(source, n, 1)) for n in numbers[:6]]
    photos += [photo(f"q{n}", "query", draw_view(source, n, 1)) for n in numbers[:5]]
    photos.append(photo("lost", "query", View(numbers[5], encode_windows([]), np.empty(0, np.float32))))
    photos += [photo(f"u{n}", "unknown", draw_view(source, n, 1)) for n in numbers[6:]]
    result = run_photo_exam(photos, WEIGHTS_FOLDER, sift=False)
    assert result["photos"] == {"gallery": 6, "query": 6, "unknown": 2}
    # The same pictures stand in the gallery, so all but the lost one are found by anything that works.
    assert result["embedder"]["1"]["recall_at_1"]["share"] == round(5 / 6, 4)
    assert result["baselines"]["imagenet features"]["recall_at_1"]["share"] == round(5 / 6, 4)
    assert result["queries"][-1] == {"photo": "lost", "place": -1, "windows": 0}
    assert result["by"]["shape"]["round plate"]["n"] == 6


def test_a_file_that_is_no_photo_gives_a_view_without_windows(tmp_path: Path):
    (tmp_path / "x.jpg").write_bytes(b"not a picture")
    (tmp_path / "x.json").write_text(json.dumps({"role": "query", "motif_id": "m"}), encoding="utf-8")
    read = read_view(tmp_path / "x.jpg", 3, Embedder.load(threads=1))
    assert read.view.motif == 3 and len(read.view.windows) == 0
