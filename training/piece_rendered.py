"""Rendered pictures with known rims as training batches: turned, zoomed, shifted, recoloured."""

from __future__ import annotations

import io
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image, ImageDraw, ImageFilter
from torch import Tensor
from torch.nn import functional as F  # noqa: N812 - the customary name

from training.pack_rims import CANVAS_PX
from training.piece_drawing import LIP_POINTS
from training.piece_scenes import Scenes

_LINE_PX = 4  # of the packed picture: two px at the network's size
_SEEN_REACH_PX = 9  # the lip's line counts as seen where the visible silhouette lies this near


@dataclass
class Rendered:
    """Pictures and targets (N, 3, 448, 448) uint8 in the middle of a square canvas, lips, kinds.

    ``extent`` (N, 2) half the pictures' sides, ``portrait`` (N,) whether they are higher than wide, and
    ``weight`` (N,) how often each is drawn.
    """

    pictures: Tensor
    targets: Tensor
    lips: Tensor
    kind: Tensor
    extent: Tensor
    portrait: Tensor
    weight: np.ndarray


def paint_truth(truth: dict[str, Any], side: int = CANVAS_PX) -> np.ndarray:
    """(side, side, 3) uint8 0..255: silhouette, area inside the lip, seen lip line; picture in the middle."""
    dx, dy = (side - truth["width"]) / 2, (side - truth["height"]) / 2

    def layer() -> Image.Image:
        return Image.new("L", (side, side))

    silhouette, area, line = layer(), layer(), layer()
    lip = [(x + dx, y + dy) for x, y in truth["lip"]]
    outline = [(x + dx, y + dy) for x, y in truth["outline"]]
    if len(outline) >= 3:
        ImageDraw.Draw(silhouette).polygon(outline, fill=255)
    ImageDraw.Draw(area).polygon(lip, fill=255)
    ImageDraw.Draw(line).line([*lip, lip[0], lip[1]], fill=255, width=_LINE_PX, joint="curve")
    near = silhouette.filter(ImageFilter.MaxFilter(_SEEN_REACH_PX))
    seen = np.minimum(np.asarray(line), np.asarray(near))
    return np.dstack([np.asarray(silhouette), np.asarray(area), seen])


def load_rendered(paths: list[Path], device: str, held_out: bool) -> Rendered:
    """The pictures packed into one or more files that are, or are not, held out."""
    truths: list[dict[str, Any]] = []
    files: list[bytes] = []
    for path in paths:
        packed = np.load(path)
        data, starts = packed["data"], packed["starts"]
        for index, truth in enumerate(json.loads(packed["truth"].tobytes().decode())):
            if truth["held_out"] == held_out:
                truths.append(truth)
                files.append(data[starts[index] : starts[index + 1]].tobytes())
    with ThreadPoolExecutor() as threads:
        pictures, targets, lips = zip(*threads.map(_unpack, files, truths), strict=True)

    def stack(arrays: tuple[np.ndarray, ...]) -> Tensor:
        return torch.from_numpy(np.stack(arrays).transpose(0, 3, 1, 2).copy()).to(device)

    return Rendered(
        stack(pictures),
        stack(targets),
        torch.from_numpy(np.stack(lips)).float().to(device),
        torch.tensor([truth["kind"] for truth in truths], device=device),
        torch.tensor(
            [[truth["width"] / CANVAS_PX, truth["height"] / CANVAS_PX] for truth in truths], device=device
        ),
        torch.tensor([truth["height"] > truth["width"] for truth in truths], device=device),
        np.array([truth.get("weight", 1.0) for truth in truths]),
    )


def _unpack(data: bytes, truth: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Picture and targets in the middle of the canvas, and the lip, even in half canvas sides."""
    picture = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    left, top = (CANVAS_PX - truth["width"]) // 2, (CANVAS_PX - truth["height"]) // 2
    margin = [(top, CANVAS_PX - top - truth["height"]), (left, CANVAS_PX - left - truth["width"]), (0, 0)]
    lip = (np.array(truth["lip"]) - [truth["width"] / 2, truth["height"] / 2]) / (CANVAS_PX / 2)
    even = np.linspace(0, len(lip), LIP_POINTS, endpoint=False)
    closed = np.vstack([lip, lip[:1]])
    curve = np.stack([np.interp(even, np.arange(len(closed)), closed[:, k]) for k in (0, 1)], axis=1)
    return np.pad(picture, margin, mode="edge"), paint_truth(truth), curve


def draw_rendered(
    rendered: Rendered, count: int, height: int, width: int, rng: np.random.Generator
) -> Scenes:
    """A batch of rendered pictures seen anew: whole, zoomed on the piece, or any part of it."""
    fitting = torch.nonzero(rendered.portrait == (height > width)).flatten().cpu().numpy()
    odds = rendered.weight[fitting] / rendered.weight[fitting].sum()
    index = torch.from_numpy(rng.choice(fitting, size=count, p=odds)).to(rendered.lips.device)
    lips = rendered.lips[index].cpu().numpy()
    low, high = lips.min(axis=1), lips.max(axis=1)
    middle, size = (low + high) / 2, np.clip((high - low).max(axis=1) / 2, 0.08, 1.2)
    kind = rng.choice(3, size=count, p=(0.45, 0.33, 0.22))[:, None]
    zoom = np.where(kind[:, 0] == 0, rng.uniform(0.85, 1.05, count), size * rng.uniform(1.1, 2.4, count))
    zoom = np.where(kind[:, 0] == 2, rng.uniform(0.45, 1.0, count), zoom)
    zoom = np.minimum(zoom, 1.05)
    about = np.where(kind == 1, np.clip(middle, -0.9, 0.9), 0.0)
    shift = about + rng.uniform(-1, 1, (count, 2)) * np.where(kind == 0, 0.06, 0.35 * zoom[:, None])
    window = zoom[:, None] * np.array([width, height]) / max(width, height)
    room = np.maximum(rendered.extent[index].cpu().numpy() - window, 0.0) + 0.04
    shift = np.clip(shift, -room, room)  # hardly beyond the picture, where there is nothing
    turn = rng.normal(0, 0.12, count) + (rng.random(count) < 0.15) * rng.uniform(0, 2 * np.pi, count)
    squash = np.exp(rng.uniform(-0.12, 0.12, count))
    cos, sin = np.cos(turn) * zoom, np.sin(turn) * zoom
    matrix = np.stack([np.stack([cos * squash, -sin], 1), np.stack([sin * squash, cos], 1)], 1)
    return look_at(rendered, index, matrix, shift, height, width, recolour=rng)


def look_at(
    rendered: Rendered,
    index: Tensor,
    matrix: np.ndarray,
    shift: np.ndarray,
    height: int,
    width: int,
    recolour: np.random.Generator | None = None,
) -> Scenes:
    """Pictures (height, width) whose point p, in half longer sides, shows canvas point matrix p + shift."""
    device = rendered.lips.device
    half = max(height, width) / 2
    y = (torch.arange(height, device=device) + 0.5 - height / 2) / half
    x = (torch.arange(width, device=device) + 0.5 - width / 2) / half
    y, x = torch.meshgrid(y, x, indexing="ij")
    turn = torch.from_numpy(matrix).float().to(device)
    away = torch.from_numpy(shift).float().to(device)
    grid = torch.einsum("nij,hwj->nhwi", turn, torch.stack([x, y], -1)) + away[:, None, None]
    pictures, targets = (packed[index].float() / 255 for packed in (rendered.pictures, rendered.targets))
    pictures = F.grid_sample(pictures, grid, padding_mode="border", align_corners=False)
    targets = F.grid_sample(targets, grid, padding_mode="zeros", align_corners=False)
    lips = torch.einsum("nij,npj->npi", torch.linalg.inv(turn), rendered.lips[index] - away[:, None])
    if recolour is not None:
        mix = np.eye(3) + recolour.uniform(-0.13, 0.13, (len(index), 3, 3))
        mixing = torch.from_numpy(mix.astype(np.float32)).to(device)
        pictures = torch.einsum("nij,njhw->nihw", mixing, pictures).clamp(0, 1)
    present = (targets[:, 0].mean(dim=(1, 2)) > 0.004).float()
    return Scenes(pictures, targets, lips, rendered.kind[index], present)
