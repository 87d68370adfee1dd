"""Packed photos of the trim witness as tensors, their variations, and the network's planes on the device."""

from __future__ import annotations

import json
import lzma
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor

from model.colour import LUMINANCE_WEIGHTS
from model.witness_input import COLUMNS, CONTEXT, DARKEST, GLAZE_STEP, LARGEST_LOG, LIP_AT, ROWS, WINDOWS
from training.trim_features_table import PhotoRow
from training.witness_network import VERDICTS

# half-resolution labels: print that covers so much of a cell, and so little that it is bare; between: ignored
MOSTLY, HARDLY = 0.4, 0.08
IGNORED = -100
LIGHT_JITTER = (0.04, 0.06)  # ln units beside the error that the read light has
MIRROR_JITTER = 0.12  # ln units: coloured surroundings differ round the rim
SMALL = (ROWS // GLAZE_STEP, COLUMNS // GLAZE_STEP)


@dataclass(frozen=True, eq=False)
class Photos:
    """n photos on a device; windows beyond a photo's own are black and unseen.

    ``pixels`` (n, k, 3, h, w) and ``glaze`` (n, k, 3, h/8, w/8) uint8 sRGB; ``masks`` (n, k, 2, h, w) bool:
    seen, clipped; ``cover`` (n, k, h, w) uint8 as `training.pack_witness.join_cover`; ``exact`` (n,) whether
    it is known; ``verdict`` (n,) index in VERDICTS; ``white`` (n, 2, 2) ln ratios, as read and true.
    """

    pixels: Tensor
    glaze: Tensor
    masks: Tensor
    cover: Tensor
    exact: Tensor
    verdict: Tensor
    white: Tensor
    context: Tensor
    reach: Tensor
    facts: list[dict[str, Any]]

    def __len__(self) -> int:
        return len(self.facts)

    def take(self, index: Tensor | Sequence[int]) -> Photos:
        """The photos of an index."""
        at = torch.as_tensor(index, device=self.pixels.device)
        kept = [self.facts[i] for i in at.tolist()]
        chosen: dict[str, Any] = {name: value[at] for name, value in vars(self).items() if name != "facts"}
        return Photos(**chosen, facts=kept)


def load_photos(paths: Sequence[Path], device: str, limit: int | None = None) -> Photos:
    """Unpack the files; photos without a window are left out."""
    found = [part for path in paths for part in read_photos(path)][:limit]
    stacked = {name: np.stack([part[name] for part in found]) for name in found[0] if name != "facts"}
    facts = [part["facts"] for part in found]
    tensors = {name: torch.from_numpy(array).to(device) for name, array in stacked.items()}
    return Photos(**tensors, facts=facts)


def read_rows(pack: Path) -> list[PhotoRow]:
    """The features of every photo of a pack, from the file beside it."""
    text = lzma.decompress(pack.with_suffix(".rows.xz").read_bytes()).decode()
    return [PhotoRow(**json.loads(line)) for line in text.splitlines()]


def read_photos(path: Path) -> list[dict[str, Any]]:
    """The photos of a pack as arrays; those without a window are left out."""
    found = []
    with np.load(path) as archive:
        pack = {name: archive[name] for name in archive.files}
    for number, facts in enumerate(json.loads(pack["facts"].tobytes())):
        count = int(pack["count"][number])
        if count == 0:
            continue
        parts = {
            name: pack[name][slice(*pack[f"{name}_starts"][number : number + 2])].tobytes()
            for name in ("pixels", "glaze", "masks", "cover")
        }
        found.append(_unpack(parts, count, pack["context"][number], facts))
    return found


def _unpack(parts: dict[str, bytes], count: int, context: Any, facts: dict[str, Any]) -> dict[str, Any]:
    masks = np.frombuffer(zlib.decompress(parts["masks"]), np.uint8)
    masks = np.unpackbits(masks)[: 2 * count * ROWS * COLUMNS].reshape(2, count, ROWS, COLUMNS)
    cover = np.zeros((count, ROWS, COLUMNS), np.uint8)
    if parts["cover"]:
        cover = np.frombuffer(zlib.decompress(parts["cover"]), np.uint8).reshape(cover.shape)
    metal = facts["metal"] if facts["metal"] in VERDICTS else "no metal"
    whites = [np.log(np.array(facts[name])[[0, 2]] / facts[name][1]) for name in ("light read", "white")]
    return {
        "pixels": _filled(_decode(parts["pixels"], (count, 3, ROWS, COLUMNS))),
        "glaze": _filled(_decode(parts["glaze"], (count, 3, *SMALL))),
        "masks": _filled(masks.transpose(1, 0, 2, 3).astype(bool)),
        "cover": _filled(cover),
        "exact": np.bool_(bool(parts["cover"])),
        "verdict": np.int64(VERDICTS.index(metal)),
        "white": np.array(whites, np.float32),
        "context": np.asarray(context, np.float32),
        "reach": np.float32(facts["reach"]),
        "facts": facts,
    }


def _decode(data: bytes, shape: tuple[int, ...]) -> Any:
    picture: Any = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    picture = picture[..., ::-1]
    count, channels, rows, columns = shape
    return picture.reshape(count, rows, columns, channels).transpose(0, 3, 1, 2)


def _filled(windows: Any) -> Any:
    out = np.zeros((WINDOWS, *windows.shape[1:]), windows.dtype)
    out[: len(windows)] = windows
    return out


def linear_of(encoded: Tensor) -> Tensor:
    """sRGB bytes to linear 0..1."""
    value = encoded.float() / 255
    return torch.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lay_planes(photos: Photos, white: Tensor) -> Tensor:
    """The planes (n k, PLANES, h, w) as `model.witness_input.lay_planes` lays them; ``white`` (n, 2)."""
    count, each = photos.pixels.shape[:2]
    level, rg, bg = _log_parts(linear_of(photos.pixels), white)
    under = torch.stack(_log_parts(linear_of(photos.glaze), white), dim=2).flatten(0, 1)
    under = torch.nn.functional.interpolate(under, scale_factor=float(GLAZE_STEP), mode="bilinear")
    under = under.reshape(count, each, 3, ROWS, COLUMNS)
    logs = torch.stack(
        [level - under[:, :, 0], rg, bg, under[:, :, 1], under[:, :, 2], under[:, :, 0]], dim=2
    )
    seen = photos.masks[:, :, :1].float()
    logs = logs.clamp(-LARGEST_LOG, LARGEST_LOG) * seen
    depth = (torch.arange(ROWS, device=logs.device) - LIP_AT) / photos.reach[:, None]
    depth = depth[:, None, None, :, None].expand(count, each, 1, ROWS, COLUMNS)
    planes = torch.cat([logs, photos.masks[:, :, 1:].float(), seen, depth], dim=2)
    return planes.flatten(0, 1)


def _log_parts(rgb: Tensor, white: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    safe = rgb.clamp(min=DARKEST)
    logs = torch.log(safe)
    weights = torch.tensor(LUMINANCE_WEIGHTS, dtype=torch.float32, device=rgb.device)
    level = torch.log((safe * weights[:, None, None]).sum(dim=2))
    shift = white[:, None, None, None]
    return level, logs[:, :, 0] - logs[:, :, 1] - shift[..., 0], logs[:, :, 2] - logs[:, :, 1] - shift[..., 1]


def label_cells(photos: Photos) -> Tensor:
    """Label (n k, h/2, w/2) of each cell of two by two pixels; IGNORED where mixed, unknown or unseen."""
    cover = photos.cover.flatten(0, 1)[:, None]

    def mean(values: Tensor) -> Tensor:
        return torch.nn.functional.avg_pool2d(values.float(), 2)[:, 0]

    metal, paint = mean((cover & 3).float() / 3), mean((cover >> 2 & 3).float() / 3)
    sound = mean(photos.masks.flatten(0, 1)[:, :1]) > 0.9
    label = torch.full(metal.shape, IGNORED, dtype=torch.long, device=cover.device)
    label[(metal < HARDLY) & (paint < HARDLY)] = 0
    label[paint > MOSTLY] = 3
    each = photos.pixels.shape[1]
    named = (photos.verdict[:, None].expand(-1, each).reshape(-1, 1, 1) + 1).expand(label.shape)
    label = torch.where((metal > MOSTLY) & (named < 3), named, label)
    known = photos.exact[:, None].expand(-1, each).reshape(-1, 1, 1)
    return torch.where(known & sound, label, torch.full_like(label, IGNORED))


def vary_photos(photos: Photos, rng: torch.Generator) -> tuple[Tensor, Tensor, Tensor]:
    """Planes, context and labels of a batch seen otherwise: another guess at the light, mirrored, moved."""
    device, count = photos.pixels.device, len(photos)
    jitter = torch.randn(count, 2, generator=rng, device=device) * torch.tensor(LIGHT_JITTER, device=device)
    back = torch.rand(count, 1, generator=rng, device=device) * 0.6
    white = photos.white[:, 0] * (1 - back) + photos.white[:, 1] * back + jitter
    planes, labels = lay_planes(photos, white), label_cells(photos)
    each = photos.pixels.shape[1]

    def of_photo(values: Tensor) -> Tensor:
        return values[:, None].expand(-1, each, *values.shape[1:]).flatten(0, 1)

    gain = of_photo(torch.randn(count, 1, 1, generator=rng, device=device) * 0.25)
    planes[:, 5] += gain * planes[:, 7]
    planes[:, 1:3] += _tint_metal(photos, rng) * planes[:, 7:8]
    noise = torch.rand(len(planes), 1, 1, 1, generator=rng, device=device) ** 2 * 0.06
    planes[:, :3] += torch.randn(planes[:, :3].shape, generator=rng, device=device) * noise
    if torch.rand(1, generator=rng, device=device) < 0.5:
        planes, labels = planes.flip(3), labels.flip(2)
    hidden = torch.rand(len(planes), 1, 1, 1, generator=rng, device=device) < 0.15
    planes[:, :8] = torch.where(hidden, torch.zeros_like(planes[:, :8]), planes[:, :8])
    labels = torch.where(hidden[:, 0], torch.full_like(labels, IGNORED), labels)
    context = photos.context.clone()
    moved = white - photos.white[:, 0]
    for name, channel in (("light rg", 0), ("light bg", 1)):
        context[:, CONTEXT.index(name)] += moved[:, channel]
    for place in ("ring", "scene"):
        known = context[:, CONTEXT.index(f"{place} known")]
        for channel, colour in enumerate(("rg", "bg")):
            context[:, CONTEXT.index(f"{place} {colour}")] -= moved[:, channel] * known
    return planes, context, labels


def _tint_metal(photos: Photos, rng: torch.Generator) -> Tensor:
    """Colour shifts (n k, 2, h, w) of the metal alone, changing slowly along the rim: other surroundings."""
    cover = (photos.cover.flatten(0, 1) & 3).float()[:, None] / 3
    shape = (len(cover), 2, 1, 4)
    field = torch.randn(shape, generator=rng, device=cover.device) * MIRROR_JITTER
    field = torch.nn.functional.interpolate(field, size=(1, COLUMNS), mode="bilinear", align_corners=True)
    return field * cover
