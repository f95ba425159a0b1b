"""How the inputs of a calculation were measured, and how far they may be off for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypedDict, cast

import numpy as np

from service.derive.co2.kh_kit import measured_by, step_of
from service.registry.models.tank import KhKit
from service.science.carbonate.kh_methods import KhMethod
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.water.hardness import MEQ_L_PER_DEGREE, dkh_from_meq_l

PH_ERROR: Final = 0.1
"""A probe whose calibration nobody tells of. Common practice, no source."""
KH_ERROR_MEQ_L: Final = MEQ_L_PER_DEGREE
"""Of a KH nobody tells how it was tested: a whole degree, which holds the last drop of a count."""
TEMPERATURE_ERROR_C: Final = 0.5
"""A plain thermometer. Common practice, no source."""


class KnownIons(TypedDict, total=False):
    """What may be known of a water's ions besides its alkalinity."""

    gh_meq_l: float
    conductivity_us_cm: float
    nitrate_mg_l: float
    potassium_mg_l: float


class OtherBases(TypedDict, total=False):
    """What a KH test counts beside carbonate."""

    phosphate_mg_l: float
    organic_carbon_mg_l: float


class Measured(TypedDict, total=False):
    """How the inputs were measured: the kit, and limits of error."""

    kh_kit: KhKit
    ph_error: float
    kh_error_meq_l: float
    temperature_error_c: float


class Known(KnownIons, OtherBases, Measured, total=False):
    """All that may be told of a water beside pH, KH and temperature."""


@dataclass(frozen=True, slots=True)
class InputErrors:
    """Limits of error of the inputs, between which all is alike (JCGM 100:2008, 4.3.7)."""

    ph: float
    alkalinity_meq_l: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class Measuring:
    """How pH, KH and temperature were measured; what is None takes its default.

    Attributes:
        kh_kit: the kit; without one, KH counts as the alkalinity itself.
        kh_error_meq_l: wins over what the kit's step says.
    """

    kh_kit: KhKit | None = None
    ph_error: float = PH_ERROR
    kh_error_meq_l: float | None = None
    temperature_error_c: float = TEMPERATURE_ERROR_C

    def alkalinity(self, read_meq_l: float) -> MeasuredAlkalinity:
        """The alkalinity behind a KH, with its errors."""
        found = (
            MeasuredAlkalinity(np.asarray(read_meq_l), np.asarray(KH_ERROR_MEQ_L), np.asarray(0.0))
            if self.kh_kit is None
            else measured_by(self.kh_kit, read_meq_l)
        )
        if self.kh_error_meq_l is None:
            return found
        return MeasuredAlkalinity(
            found.value_meq_l, np.asarray(self.kh_error_meq_l), np.asarray(0.0)
        )

    def errors(self, read_meq_l: float) -> InputErrors:
        """The limits of error in force for a KH."""
        half = float(self.alkalinity(read_meq_l).half_width_meq_l)
        return InputErrors(self.ph_error, half, self.temperature_error_c)

    def assumptions(self, read_meq_l: float) -> tuple[str, ...]:
        """What KH is taken for, a sentence each."""
        shown, half = (
            float(dkh_from_meq_l(one))
            for one in (read_meq_l, self.alkalinity(read_meq_l).half_width_meq_l)
        )
        if self.kh_kit is None:
            if self.kh_error_meq_l is not None:
                return ()
            return (
                f"KH {shown:.3g} dKH is taken as it is, give or take {half:.3g} dKH: it is not "
                "known how it was tested. A count of drops overstates it by half a drop: say if so",
            )
        middle = float(dkh_from_meq_l(self.alkalinity(read_meq_l).value_meq_l))
        if self.kh_kit.method == KhMethod.DROPS and middle < shown:
            drop = float(dkh_from_meq_l(step_of(self.kh_kit)))
            return (
                f"KH {shown:.3g} dKH in drops of {drop:.3g} dKH means more than "
                f"{shown - drop:.3g} and up to {shown:.3g}: {middle:.3g} dKH is taken",
            )
        return (f"KH is taken as {middle:.3g} dKH, give or take {half:.3g} dKH",)


def ions_of(known: Known) -> KnownIons:
    """The ions among what is known."""
    names = KnownIons.__annotations__
    return cast(KnownIons, {name: one for name, one in known.items() if name in names})


def other_bases_of(known: Known) -> OtherBases:
    """The bases beside carbonate among what is known."""
    names = OtherBases.__annotations__
    return cast(OtherBases, {name: one for name, one in known.items() if name in names})


def measuring_of(known: Known) -> Measuring:
    """How the inputs were measured, as far as it is known."""
    names = Measured.__annotations__
    return Measuring(**cast(Measured, {name: one for name, one in known.items() if name in names}))
