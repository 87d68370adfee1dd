"""Losses: low for motifs that keep together, high for motifs that do not, and differentiable."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from training.losses import LOSSES


def batch(spread: float, motifs: int = 6, strips: int = 3, windows: int = 2, seed: int = 0):
    rng = np.random.default_rng(seed)
    centres = np.linalg.qr(rng.normal(size=(16, motifs)))[0].T
    motif = np.repeat(np.arange(motifs), strips * windows)
    vectors = centres[motif] + spread * rng.normal(size=(len(motif), 16)) / 4
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    strip = np.repeat(np.arange(motifs * strips), windows)
    return torch.tensor(vectors, dtype=torch.float32), torch.tensor(motif), torch.tensor(strip)


@pytest.mark.parametrize("name", sorted(LOSSES))
def test_the_loss_grows_as_motifs_mix(name: str):
    values = [float(LOSSES[name](*batch(spread))) for spread in (0.05, 0.8, 3.0)]
    assert values == sorted(values) and values[0] < values[-1]


@pytest.mark.parametrize("name", sorted(LOSSES))
def test_the_loss_does_not_depend_on_the_order_of_the_windows(name: str):
    vectors, motifs, strips = batch(1.0)
    order = torch.randperm(len(motifs), generator=torch.Generator().manual_seed(1))
    shuffled = LOSSES[name](vectors[order], motifs[order], strips[order])
    assert float(shuffled) == pytest.approx(float(LOSSES[name](vectors, motifs, strips)), rel=1e-5)


@pytest.mark.parametrize("name", sorted(LOSSES))
def test_following_the_gradient_brings_the_loss_down(name: str):
    vectors, motifs, strips = batch(2.0)
    free = vectors.clone().requires_grad_(True)
    first = None
    for _ in range(30):
        loss = LOSSES[name](torch.nn.functional.normalize(free, dim=1), motifs, strips)
        first = loss.item() if first is None else first
        (gradient,) = torch.autograd.grad(loss, free)
        assert torch.isfinite(gradient).all()
        free = (free - 0.5 * gradient).detach().requires_grad_(True)
    assert loss.item() < 0.8 * first


@pytest.mark.parametrize("name", sorted(LOSSES))
def test_windows_of_one_strip_alone_are_no_positive_pair(name: str):
    """Two windows of one strip share its light and wear: pulling them together would be too easy."""
    vectors = torch.tensor([[1.0, 0.0], [0.0, 1.0]])
    motifs, other_strips = torch.tensor([5, 5]), torch.tensor([1, 2])
    one_strip = torch.tensor([1, 1])
    assert float(LOSSES[name](vectors, motifs, one_strip)) == 0
    if name == "multi-similarity":
        assert float(LOSSES[name](vectors, motifs, other_strips)) == 0  # no negative: nothing hard is mined
    crowd = torch.cat([vectors, torch.tensor([[0.8, 0.6]])]), torch.tensor([5, 5, 6])
    assert float(LOSSES[name](*crowd, torch.tensor([1, 2, 3]))) > float(
        LOSSES[name](*crowd, torch.tensor([1, 1, 3]))
    )
