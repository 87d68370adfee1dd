"""The motif library: seeded, disjoint, varied; every frieze group on purpose. Drawn art only, no cache."""

from __future__ import annotations

import numpy as np
import pytest

from training.art.compose import draw_tile
from training.art.family import family_of
from training.art.friezes import frieze_of
from training.art.ink import TILE_HEIGHT
from training.art.library import load_motifs, own_courses, own_elements
from training.art.motif_art import GROUPS, Motif, Part, Recipe


@pytest.fixture(autouse=True)
def _no_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RIMLIGHT_ART", raising=False)


def test_the_same_index_draws_the_same_motif_again() -> None:
    first, again = load_motifs("train")[321], load_motifs("train", limit=400)[321]
    assert first.id == again.id and np.array_equal(first.tile, again.tile)


def test_tiles_are_ink_between_zero_and_one_on_the_tile_height() -> None:
    for motif in load_motifs("train", limit=60):
        assert motif.tile.shape[0] == TILE_HEIGHT and motif.tile.dtype == np.float32
        assert motif.tile.min() >= 0 and motif.tile.max() <= 1
        assert 0.005 < motif.tile.mean() < 0.9, motif.recipe


def test_splits_share_no_ornament_of_our_own() -> None:
    for kinds_of in (own_elements, own_courses):
        kinds = [set(kinds_of(split)) for split in ("train", "validation", "exam")]
        assert not (kinds[0] & kinds[1] or kinds[0] & kinds[2] or kinds[1] & kinds[2])
        assert all(kinds)


def test_motifs_differ_from_each_other() -> None:
    motifs = load_motifs("train", limit=120)
    flat = {motif.tile.tobytes() for motif in motifs}
    assert len(flat) > 115


@pytest.mark.parametrize("group", GROUPS)
def test_every_frieze_group_can_be_drawn_on_purpose(group: str) -> None:
    asked = [
        frieze_of(draw_tile(Recipe(seed=seed, main=Part("blot"), group=group))) for seed in (1, 2, 3, 4, 5)
    ]
    assert asked.count(group) >= 4, asked


def test_a_letter_of_each_group_is_measured_as_its_group() -> None:
    # International Tables for Crystallography, vol. E: FFFF p1, AAAA p1m1, DDDD p11m, HHHH p2mm, SSSS p2.
    block = np.zeros((48, 40), np.float32)
    f = block.copy()
    f[4:44, 6:12] = f[4:10, 6:34] = f[20:26, 6:26] = 1
    h = block.copy()
    h[4:44, 4:10] = h[4:44, 30:36] = h[21:27, 4:36] = 1
    assert frieze_of(f) == "p1" and frieze_of(h) == "p2mm"
    assert frieze_of(np.concatenate([f, f[::-1]], axis=1)) == "p11g"
    assert frieze_of(np.concatenate([f, f[:, ::-1]], axis=1)) == "p1m1"


def test_look_alikes_differ_from_the_motif_but_keep_their_split() -> None:
    motif = load_motifs("train")[2]
    siblings = family_of(motif, np.random.default_rng(0), limit=6)
    assert len(siblings) >= 3
    assert len({sibling.id for sibling in siblings} | {motif.id}) == len(siblings) + 1
    assert all(sibling.id.startswith(motif.id + "/") for sibling in siblings)


def test_a_motif_refuses_a_tile_of_another_type() -> None:
    with pytest.raises(ValueError, match="float32"):
        Motif("x", "x", "x", np.zeros((4, 4)), "continuous")


def test_a_missing_cache_is_named(tmp_path) -> None:
    with pytest.raises(FileNotFoundError, match="art cache"):
        load_motifs("train", cache=tmp_path / "none.npz")
