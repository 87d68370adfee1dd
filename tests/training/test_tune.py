"""A head fitted on an exported gallery: what is refused, and that noise alone wins nothing."""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest

from model.leave_out import LabelledPhotos
from model.lookup import Gallery, GalleryItem
from training import tune
from training.exported_gallery import NoGallery, find_archive, load_gallery


def gallery_of(motifs: int, spread: float, noise: float, photos: int = 3) -> LabelledPhotos:
    """Photos of pieces of their own: half of the numbers tell the motif, ``noise`` lies in the other half."""
    rng = np.random.default_rng(2)
    rows, items = [], []
    for motif in range(motifs):
        middle = spread * rng.normal(size=6)
        for _ in range(photos):
            row = np.concatenate([noise * rng.normal(size=6), middle + 0.1 * rng.normal(size=6)])
            rows.append(row / np.linalg.norm(row))
            items.append(GalleryItem(f"g{len(items)}", f"m{motif}", f"Motif {motif}"))
    gallery = Gallery(np.array(rows, np.float32), np.arange(len(rows)), tuple(items), "r")
    pieces = tuple(f"piece {k}" for k in range(len(rows)))
    return LabelledPhotos(gallery, pieces, np.ones(len(rows), np.float32))


def test_a_head_takes_the_noise_off_and_says_by_how_much() -> None:
    photos = gallery_of(16, spread=1.0, noise=2.0, photos=5)
    head = tune.tune(photos, [f"r{k}" for k in range(len(photos.pieces))])
    assert head.facts["kind"] != "as shipped"
    assert head.facts["found first"] > head.facts["found first as shipped"] + 0.3
    assert head.facts["difference"][1] > 0
    assert set(head.fold_of.values()) == set(range(tune.FOLDS))


def test_where_nothing_can_be_learnt_nothing_is_won() -> None:
    photos = gallery_of(12, spread=0.0, noise=1.0)
    head = tune.tune(photos, [f"r{k}" for k in range(len(photos.pieces))])
    assert head.facts["difference"][1] <= 0


def test_few_motifs_are_refused() -> None:
    with pytest.raises(NoGallery, match="only 7 motifs"):
        tune.tune(gallery_of(7, 1.0, 1.0), [f"r{k}" for k in range(21)])


def test_what_is_no_archive_is_refused_with_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(NoGallery, match="rimlight export"):
        find_archive(tmp_path)
    (tmp_path / "own.zip").write_bytes(b"no archive")
    with pytest.raises(NoGallery, match="no whole archive"):
        load_gallery(tmp_path / "own.zip")
    with zipfile.ZipFile(tmp_path / "own.zip", "w") as archive:
        archive.writestr("about.json", '{"format": "something"}')
    with pytest.raises(NoGallery, match="something else"):
        load_gallery(find_archive(tmp_path))
    monkeypatch.setattr(sys, "argv", ["tune", str(tmp_path)])
    assert tune.main() == 1
    assert capsys.readouterr().err.startswith("tune: ")
