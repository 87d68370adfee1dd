"""Parts of the simulation left out: each really goes, and runs are put together as one result."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from training.ablate import RUNS, collect, run_one
from training.ablations import LEFT_OUT
from training.config import TINY
from training.quick_strip import draw_quick_strip
from training.real_strip import draw_real_strip
from training.sources import LibrarySource, make_validation_source
from training.unrolling_errors import unroll_badly
from training.validate import draw_validation_set


@pytest.fixture(scope="module")
def source() -> LibrarySource:
    return LibrarySource("train", 8, 0, 0.0)


@pytest.mark.parametrize("name", sorted(LEFT_OUT))
def test_leaving_a_part_out_changes_quick_and_rendered_strips(name: str, source: LibrarySource) -> None:
    motif = source.motif(0)
    for draw in (
        lambda rng, left_out: draw_quick_strip(motif, rng, left_out),
        lambda rng, left_out: draw_real_strip(motif, rng, **(LEFT_OUT[left_out] if left_out else {})),
    ):
        changed = 0
        for seed in range(6):
            whole, less = (draw(np.random.default_rng(seed), left_out) for left_out in ("", name))
            same_shape = whole[1].contrast.shape == less[1].contrast.shape
            changed += not same_shape or not np.allclose(whole[1].contrast, less[1].contrast)
        assert changed >= 3


def test_a_strip_drawn_as_before_is_the_same_without_unrolling_errors(source: LibrarySource) -> None:
    motif = source.motif(0)
    plain, told = (draw_quick_strip(motif, np.random.default_rng(3), *more) for more in ((), ("", 0.0)))
    np.testing.assert_array_equal(plain[1].contrast, told[1].contrast)


def test_a_badly_unrolled_strip_keeps_its_size_and_hides_at_most_half() -> None:
    planes = np.random.default_rng(0).random((90, 400, 2)).astype(np.float32)
    for seed in range(12):
        bad, hidden = unroll_badly(planes, 40, np.random.default_rng(seed))
        assert bad.shape == planes.shape
        assert hidden.shape == planes.shape[:2]
        assert np.isfinite(bad).all()
        assert hidden.mean() < 0.65


def test_a_short_run_is_kept_and_collected(tmp_path: Path) -> None:
    config = replace(TINY, steps=2, validate_every_s=1e9, validation_motifs=4, rendered_share=0.0)
    validation = draw_validation_set(make_validation_source(config), config)
    for name in ("whole", "wear"):
        run_one(name, config, validation, tmp_path)
    result = collect(tmp_path)
    assert list(result["runs"]) == ["whole", "wear"]
    assert result["runs"]["whole"]["minus whole"]["difference"] == 0
    assert result["runs"]["wear"]["recall_at_1"]["n"] == result["runs"]["whole"]["recall_at_1"]["n"] > 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["wear.json", "whole.json"]


def test_runs_on_other_strips_are_not_compared(tmp_path: Path) -> None:
    run = {"what": "", "steps": 1, "blocks": 1, "places": [0, 1], "seconds": 1, "machine": "", "commit": ""}
    run |= {"settings": {"seed": 1}}
    (tmp_path / "wear.json").write_text(json.dumps(run | {"name": "wear", "motifs": [1, 2]}))
    with pytest.raises(ValueError, match="whole"):
        collect(tmp_path)
    (tmp_path / "whole.json").write_text(json.dumps(run | {"name": "whole", "motifs": [1, 3]}))
    with pytest.raises(ValueError, match="other strips"):
        collect(tmp_path)


def test_there_are_five_named_ablations_beside_the_whole() -> None:
    assert RUNS == ("whole", "loss", "environment colour", "balance and phone model", "wear", "blur")
