"""Packed photos of the witness as tensors, their variations, and the network's planes on the device."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor

from model.colour import LUMINANCE_WEIGHTS
from model.strip_labels import CELL
from model.witness_input import (
    COLUMNS,
    CONTEXT,
    DARKEST,
    GLAZE_STEP,
    LARGEST_LOG,
    LIP_AT,
    MOST_WINDOWS,
    ROWS,
)
from training.witness_network import VERDICTS

IGNORED = -100
LIGHT_JITTER = (0.04, 0.06)  # ln units beside the error that the read light has
MIRROR_JITTER = 0.12  # ln units: coloured surroundings differ round the rim
SHRUNK_OFTEN, SMALLEST = 0.4, 0.55  # share of batches seen from farther, and how far
MOST_MOVED = 2  # cells up or down
SMALL = (ROWS // GLAZE_STEP, COLUMNS // GLAZE_STEP)
MIXED_MATERIAL, MIXED_ROLE = 3, 4  # as `training.pack_witness.name_cells`


@dataclass(frozen=True, eq=False)
class Photos:
    """n photos on a device; windows beyond a photo's ``count`` (n,) are black and unseen.

    ``pixels`` (n, k, 3, h, w) and ``glaze`` (n, k, 3, h/8, w/8) uint8 sRGB; ``masks`` (n, k, 2, h, w) bool:
    seen, clipped; ``cover`` (n, k, h, w) uint8 quarters of metal; ``labels`` (n, k, h/2, w/2) uint8 as
    `training.pack_witness.name_cells`; ``exact`` (n,) whether these are known; ``verdict`` (n,) index in
    VERDICTS; ``whole`` (n, 2) remaining share and worn, nan where unknown; ``white`` (n, 2, 2) ln ratios, as
    read and true.
    """

    pixels: Tensor
    glaze: Tensor
    masks: Tensor
    cover: Tensor
    labels: Tensor
    exact: Tensor
    count: Tensor
    verdict: Tensor
    whole: Tensor
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

    def draw_windows(self, each: int, rng: torch.Generator) -> Photos:
        """``each`` windows of every photo drawn at random, its own before empty ones."""
        device, most = self.pixels.device, self.pixels.shape[1]
        order = torch.rand(len(self), most, generator=rng, device=device)
        order += (torch.arange(most, device=device) >= self.count[:, None]).float()
        at = order.argsort(dim=1)[:, :each]
        photo = torch.arange(len(self), device=device)[:, None]
        windows = ("pixels", "glaze", "masks", "cover", "labels")
        return replace(self, **{name: getattr(self, name)[photo, at] for name in windows})


def load_photos(paths: Sequence[Path], device: str, limit: int | None = None) -> Photos:
    """Unpack the files; photos without a window are left out."""
    found = [part for path in paths for part in read_photos(path)][:limit]
    stacked = {name: np.stack([part[name] for part in found]) for name in found[0] if name != "facts"}
    facts = [part["facts"] for part in found]
    tensors = {name: torch.from_numpy(array).to(device) for name, array in stacked.items()}
    return Photos(**tensors, facts=facts)


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
            for name in ("pixels", "glaze", "masks", "cover", "labels")
        }
        found.append(_unpack(parts, count, pack["context"][number], facts))
    return found


def _unpack(parts: dict[str, bytes], count: int, context: Any, facts: dict[str, Any]) -> dict[str, Any]:
    masks = np.frombuffer(zlib.decompress(parts["masks"]), np.uint8)
    masks = np.unpackbits(masks)[: 2 * count * ROWS * COLUMNS].reshape(2, count, ROWS, COLUMNS)
    cover = np.zeros((count, ROWS, COLUMNS), np.uint8)
    labels = np.zeros((count, ROWS // CELL, COLUMNS // CELL), np.uint8)
    if parts["labels"]:
        cover = np.frombuffer(zlib.decompress(parts["cover"]), np.uint8).reshape(cover.shape)
        labels = np.frombuffer(zlib.decompress(parts["labels"]), np.uint8).reshape(labels.shape)
    metal = facts["metal"] if facts["metal"] in VERDICTS else "no metal"
    left = facts["remaining_share"] if metal != "no metal" else None
    whole = (np.nan, np.nan) if left is None else (left, float(facts["state"] == "worn"))
    whites = [np.log(np.array(facts[name])[[0, 2]] / facts[name][1]) for name in ("light read", "white")]
    return {
        "pixels": _filled(_decode(parts["pixels"], (count, 3, ROWS, COLUMNS))),
        "glaze": _filled(_decode(parts["glaze"], (count, 3, *SMALL))),
        "masks": _filled(masks.transpose(1, 0, 2, 3).astype(bool)),
        "cover": _filled(cover),
        "labels": _filled(labels),
        "exact": np.bool_(bool(parts["labels"])),
        "count": np.int64(count),
        "verdict": np.int64(VERDICTS.index(metal)),
        "whole": np.array(whole, np.float32),
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
    out = np.zeros((MOST_WINDOWS, *windows.shape[1:]), windows.dtype)
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


@dataclass(frozen=True, eq=False)
class Labels:
    """True labels of cells (m, h, w) of m windows, IGNORED where mixed, unknown or unseen; band 0 or 1."""

    material: Tensor
    role: Tensor
    band: Tensor

    def each(self, change: Callable[[Tensor], Tensor]) -> Labels:
        """All three changed alike."""
        return Labels(change(self.material), change(self.role), change(self.band))


def label_cells(photos: Photos) -> Labels:
    """The labels of all windows, (n k, h/2, w/2) each."""
    code = photos.labels.flatten(0, 1).long()
    each = photos.pixels.shape[1]

    def of_photo(values: Tensor) -> Tensor:
        return values[:, None].expand(-1, each).reshape(-1, 1, 1)

    material, role, band, there = code & 3, code >> 2 & 7, code >> 5 & 1, code >> 6 & 1
    seen = torch.nn.functional.avg_pool2d(photos.masks.flatten(0, 1)[:, :1].float(), CELL)[:, 0] > 0.9
    known = (of_photo(photos.exact) & seen).expand(material.shape)
    named = of_photo(photos.verdict + 1).expand(material.shape)  # gold 1, platinum 2; paint is 3
    told = torch.where(material == 2, 3, torch.where(material == 1, named, 0))
    nothing = torch.full_like(material, IGNORED)
    return Labels(
        torch.where(known & (there == 1) & (material != MIXED_MATERIAL), told, nothing),
        torch.where(known & (role != MIXED_ROLE), role, nothing),
        torch.where(known, band, nothing),
    )


def vary_photos(photos: Photos, rng: torch.Generator) -> tuple[Tensor, Tensor, Labels]:
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
        planes, labels = planes.flip(3), labels.each(lambda part: part.flip(2))
    planes, labels = _move(planes, labels, rng)
    hidden = torch.rand(len(planes), 1, 1, 1, generator=rng, device=device) < 0.15
    planes[:, :8] = torch.where(hidden, torch.zeros_like(planes[:, :8]), planes[:, :8])
    labels = labels.each(lambda part: torch.where(hidden[:, 0], torch.full_like(part, IGNORED), part))
    context = photos.context.clone()
    moved = white - photos.white[:, 0]
    for name, channel in (("light rg", 0), ("light bg", 1)):
        context[:, CONTEXT.index(name)] += moved[:, channel]
    for place in ("ring", "scene"):
        known = context[:, CONTEXT.index(f"{place} known")]
        for channel, colour in enumerate(("rg", "bg")):
            context[:, CONTEXT.index(f"{place} {colour}")] -= moved[:, channel] * known
    return planes, context, labels


def _move(planes: Tensor, labels: Labels, rng: torch.Generator) -> tuple[Tensor, Labels]:
    """The whole batch nearer or farther, and the lip found a little too high or too low."""
    device = planes.device
    draw = torch.rand(3, generator=rng, device=device).tolist()
    if draw[0] < SHRUNK_OFTEN:
        factor = SMALLEST + (1 - SMALLEST) * draw[1]
        rows, columns = round(ROWS * factor / 16) * 16, round(COLUMNS * factor / 16) * 16
        small = torch.nn.functional.interpolate(planes, (rows, columns), mode="area")
        small[:, 6:8] = small[:, 6:8].round()
        spare = (0, COLUMNS - columns, 0, ROWS - rows)
        planes = torch.nn.functional.pad(small, spare)
        spare = (0, (COLUMNS - columns) // CELL, 0, (ROWS - rows) // CELL)

        def shrink(part: Tensor) -> Tensor:
            less = torch.nn.functional.interpolate(part[:, None].float(), (rows // CELL, columns // CELL))
            return torch.nn.functional.pad(less[:, 0].long(), spare, value=IGNORED)

        labels = labels.each(shrink)
    step = round((2 * draw[2] - 1) * MOST_MOVED)
    planes = torch.roll(planes, CELL * step, dims=2)
    return planes, labels.each(lambda part: torch.roll(part, step, dims=1))


def _tint_metal(photos: Photos, rng: torch.Generator) -> Tensor:
    """Colour shifts (n k, 2, h, w) of the metal alone, changing slowly along the rim: other surroundings."""
    cover = photos.cover.flatten(0, 1).float()[:, None] / 3
    shape = (len(cover), 2, 1, 4)
    field = torch.randn(shape, generator=rng, device=cover.device) * MIRROR_JITTER
    field = torch.nn.functional.interpolate(field, size=(1, COLUMNS), mode="bilinear", align_corners=True)
    return field * cover
