"""Light and metal spectra of the renderer, from one small table.

The table is written by ``build_spectra``; sources and licences are named there.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

WAVELENGTHS_NM: NDArray[np.float64] = np.arange(360.0, 831.0, 5.0)
TABLE_PATH = Path(__file__).with_name("spectra.npz")
LIGHT_NAMES = ("A", "D50", "D65", "FL2", "FL11", "LED-B1", "LED-B3", "LED-B5")


@cache
def load_table() -> dict[str, NDArray[np.float32]]:
    """Every spectrum by name (``light:A``, ``metal:gold`` …), each on ``WAVELENGTHS_NM``."""
    with np.load(TABLE_PATH) as archive:
        return {name: archive[name] for name in archive.files}


def light_spectrum(name: str) -> NDArray[np.float32]:
    """Relative spectrum (N,) of a CIE illuminant, unit luminance.

    Raises
    ------
    KeyError
        For a name outside ``LIGHT_NAMES``.
    """
    return load_table()[f"light:{name}"]


def metal_constants(name: str) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """n and k, each (N,), of ``gold``, ``platinum``, ``lemon gold`` or ``red gold``."""
    n, k = load_table()[f"metal:{name}"]
    return n, k


def metal_reflectance(name: str) -> NDArray[np.float32]:
    """Normal-incidence reflectance (N,) of a metal in air: ((n−1)² + k²) / ((n+1)² + k²)."""
    n, k = metal_constants(name)
    share: NDArray[np.float32] = ((n - 1) ** 2 + k**2) / ((n + 1) ** 2 + k**2)
    return share
