"""Cheap variation of windows on the training device, so that a rendered strip can be used several times.

What the renderer does better (light, wear, blur, perspective) is left to it; here are the errors of the
cutting: rows misjudged, scale, a tilted ribbon, parts unseen, and prints set upside down or mirrored.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F  # noqa: N812 - the customary name
from torchvision.transforms.v2.functional import gaussian_blur

SCALE_ERROR, TILT_ERROR, ROW_SHIFT, COLUMN_SHIFT = 0.09, 0.03, 0.08, 0.12
MIRROR_SHARE, TURN_SHARE, HIDE_SHARE = 0.15, 0.15, 0.25
BLUR_SHARE, BLUR_PX = 0.2, (0.4, 2.0)


def augment_windows(windows: Tensor, blur: bool = True) -> Tensor:
    """(n, 3, 96, 320) uint8 windows to float 0..1, each varied on its own."""
    pixels = windows.float() / 255
    pixels = _move(pixels)
    pixels = _blur(pixels) if blur else pixels
    pixels = _fade(pixels)
    return _hide_part(pixels)


def _uniform(count: int, like: Tensor, low: float, high: float) -> Tensor:
    return torch.rand(count, device=like.device) * (high - low) + low


def _move(pixels: Tensor) -> Tensor:
    """Scale, tilt, shift, mirror (left to right) and turn over (half a turn)."""
    count, _, height, width = pixels.shape
    turned = torch.where(torch.rand(count, device=pixels.device) < TURN_SHARE, -1.0, 1.0)
    mirrored = torch.where(torch.rand(count, device=pixels.device) < MIRROR_SHARE, -1.0, 1.0)
    matrix = torch.zeros(count, 2, 3, device=pixels.device)
    matrix[:, 0, 0] = turned * mirrored * _uniform(count, pixels, 1 - SCALE_ERROR, 1 + SCALE_ERROR)
    matrix[:, 1, 1] = turned * _uniform(count, pixels, 1 - SCALE_ERROR, 1 + SCALE_ERROR)
    # Sampling coordinates run -1..1 on both axes, so a tilt counts more along the longer one.
    matrix[:, 1, 0] = _uniform(count, pixels, -TILT_ERROR, TILT_ERROR) * width / height
    matrix[:, 0, 2] = _uniform(count, pixels, -COLUMN_SHIFT, COLUMN_SHIFT)
    matrix[:, 1, 2] = _uniform(count, pixels, -ROW_SHIFT, ROW_SHIFT)
    grid = F.affine_grid(matrix, [count, 3, height, width], align_corners=False)
    return F.grid_sample(pixels, grid, mode="bilinear", padding_mode="zeros", align_corners=False)


def _blur(pixels: Tensor) -> Tensor:
    """Blur some of the windows, all alike: a photo less sharp than its strip's sampling supports."""
    chosen = torch.rand(len(pixels), device=pixels.device) < BLUR_SHARE
    if not bool(chosen.any()):
        return pixels
    sigma = float(_uniform(1, pixels, *BLUR_PX))
    reach = 2 * int(3 * sigma) + 1
    blurred = pixels.clone()
    blurred[chosen] = gaussian_blur(pixels[chosen], [reach, reach], [sigma, sigma])
    return blurred


def _fade(pixels: Tensor) -> Tensor:
    """Gain, gamma and noise of the strengths; the seen mask stays."""
    count, _, height, width = pixels.shape
    gamma = _uniform(count, pixels, 0.7, 1.4)[:, None, None]
    along = torch.rand(count, 1, 1, 5, device=pixels.device) * 0.6 + 0.5
    gain = F.interpolate(along, size=(1, width), mode="bilinear", align_corners=True)[:, 0]
    noise = torch.randn(count, 2, height, width, device=pixels.device)
    noise = noise * _uniform(count, pixels, 0.0, 0.06)[:, None, None, None]
    seen = pixels[:, 1]
    print_strength = pixels[:, 0].clamp(min=1e-4).pow(gamma) * gain + noise[:, 0]
    edge_strength = pixels[:, 2] * gain + noise[:, 1]
    faded = torch.stack([print_strength.clamp(0, 1) * seen, seen, edge_strength.clamp(0, 1) * seen], dim=1)
    return faded


def _hide_part(pixels: Tensor) -> Tensor:
    """Make a run of columns unseen in some of the windows."""
    count, _, _, width = pixels.shape
    columns = torch.arange(width, device=pixels.device)[None, :]
    first = _uniform(count, pixels, -0.2, 1.0)[:, None] * width
    length = _uniform(count, pixels, 0.05, 0.35)[:, None] * width
    hidden = (columns >= first) & (columns < first + length)
    hidden &= torch.rand(count, 1, device=pixels.device) < HIDE_SHARE
    return pixels * (~hidden)[:, None, None, :]
