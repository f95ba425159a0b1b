"""PPFD per lux of CIE illuminants, by integration: the reference library is colour-science."""

from __future__ import annotations

import numpy as np

# CODATA 2018 (exact since the 2019 SI)
PLANCK_J_S, LIGHT_M_S, AVOGADRO = 6.62607015e-34, 299792458.0, 6.02214076e23


def umol_per_lux(illuminant: str) -> float:
    """µmol/m²/s between 400 and 700 nm per lux of a CIE illuminant."""
    import colour  # here, so that not every process of the tests takes the time

    shape = colour.SpectralShape(380, 780, 1)
    spectrum = colour.SDS_ILLUMINANTS[illuminant].copy().align(shape)
    seen = colour.SDS_LEFS["CIE 1924 Photopic Standard Observer"].copy().align(shape)
    lux = 683 * float(np.sum(spectrum.values * seen.values))
    par = (spectrum.wavelengths >= 400) & (spectrum.wavelengths <= 700)
    metres = spectrum.wavelengths[par] * 1e-9
    photons = np.sum(spectrum.values[par] * metres) / (PLANCK_J_S * LIGHT_M_S * AVOGADRO)
    return float(photons) * 1e6 / lux
