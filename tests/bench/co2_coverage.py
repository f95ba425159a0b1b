"""In how many of 100 cases the 95 % interval of CO2 holds the truth, by tank, kit and probe.

Run: ``python tests/bench/co2_coverage.py``; fewer waters as argument for a quick look.

The truth is PHREEQC's, from waters of full composition; kits are simulated drop by drop, probes
and thermometers by their errors (``tests/science/simulated_kits.py``). Nominal is 95; 93 to 97 is
what is asked. The last table is of water changes, mixed by PHREEQC, and of the pH aimed at.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import phreeqpython

sys.path.insert(0, str(Path(__file__).parents[2]))

from service.derive.calculations.carbonate import ph_for_co2
from service.derive.calculations.measuring import Measuring
from service.derive.calculations.water_change import Water, mixed_water
from service.registry.models.tank import KhKit
from service.science.carbonate.co2 import estimate_co2
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.science.measured_waters import KIT, PROBE, held, measured
from tests.science.mixed_waters import Change, random_changes
from tests.science.phreeqc_waters import Waters, random_waters
from tests.science.simulated_kits import kit_shows_dkh, probe_error_ph

DRAWS: Final = 20_000
BANDS: Final = ((1.0, 2.0), (2.0, 4.0), (4.0, 10.0))
EVERYTHING: Final = (
    "gh_meq_l", "conductivity_us_cm", "nitrate_mg_l", "potassium_mg_l", "phosphate_mg_l",
)  # fmt: skip
KNOWN: Final[dict[str, tuple[str, ...]]] = {
    "nothing": (),
    "GH": ("gh_meq_l",),
    "all": EVERYTHING,
}


class Case(NamedTuple):
    """One regime: share of intervals that hold the truth, median of value over truth, width."""

    kit: str
    band: tuple[float, float]
    probe: str
    known: str
    held: float
    ratio: float
    width: float


def cases(waters: Waters) -> Iterator[Case]:
    """Every regime of kit, KH, probe and what is known of the ions."""
    kh = waters.alkalinity_meq_l / MEQ_L_PER_DEGREE
    for number, (kit, band, probe, known) in enumerate(product(KIT, BANDS, PROBE, KNOWN)):
        rng = np.random.default_rng(number)
        fitting = np.flatnonzero((kh >= band[0]) & (kh < band[1]))
        found, truth = measured(waters, rng.choice(fitting, DRAWS), kit, probe, KNOWN[known], rng)
        yield Case(
            kit, band, probe, known, held(found, truth),
            float(np.median(found.value / truth)),
            float(np.median(np.sqrt(found.high / found.low))),
        )  # fmt: skip


def as_read(waters: Waters, band: tuple[float, float]) -> tuple[float, float]:
    """The same count taken as it is read, its error as normal: ratio to the truth, share held."""
    rng = np.random.default_rng(1)
    kh = waters.alkalinity_meq_l / MEQ_L_PER_DEGREE
    index = rng.choice(np.flatnonzero((kh >= band[0]) & (kh < band[1])), DRAWS)
    shown = kit_shows_dkh("drops of 1 dKH", kh[index], rng) * MEQ_L_PER_DEGREE
    found = estimate_co2(
        waters.ph[index] + probe_error_ph("calibrated", DRAWS, rng),
        shown,
        waters.temperature_c[index],
        alkalinity_half_width_meq_l=0.0,
        alkalinity_sd_meq_l=MEQ_L_PER_DEGREE / 12**0.5,
        gh_meq_l=waters.gh_meq_l[index],
    )
    truth = waters.co2_mg_l[index]
    return float(np.mean(found.value / truth)), held(found, truth)


def change_holds(changes: list[Change], *, gh: bool) -> tuple[float, float, float]:
    """Share of mixes whose CO2 and whose pH lie in their interval; worst CO2 without any error."""
    rng, exact = np.random.default_rng(2), Measuring(None, 0.0, 0.0, 0.0)
    gas, acid, worst = [], [], 0.0
    for one in changes:
        hard = (one.tank_gh_meq_l, one.new_gh_meq_l) if gh else (None, None)
        off = float(probe_error_ph("limits of 0.1", 1, rng)[0])
        true = np.array([one.tank_kh_meq_l, one.new_kh_meq_l])
        shown = kit_shows_dkh("drops of 1 dKH", true / MEQ_L_PER_DEGREE, rng) * MEQ_L_PER_DEGREE
        for measuring, error, kh in ((exact, 0.0, true), (Measuring(KhKit()), off, shown)):
            tank, new = (
                Water(ph + error, float(meq_l), one.temperature_c, gh_meq_l)
                for ph, meq_l, gh_meq_l in zip((one.tank_ph, one.new_ph), kh, hard, strict=True)
            )
            found = mixed_water(tank, new, one.fraction, measuring)
            co2, ph = found.co2_mg_l, found.ph
            if measuring is exact:
                worst = max(worst, abs((co2.value if co2 else np.inf) / one.co2_mg_l - 1))
                continue
            gas.append(co2 is not None and co2.low <= one.co2_mg_l <= co2.high)
            acid.append(ph is not None and ph.low <= one.ph + off <= ph.high)
    return float(np.mean(gas)), float(np.mean(acid)), worst


def aim_holds(waters: Waters, count: int, *, gh: bool) -> float:
    """Share of pHs aimed at whose interval holds the pH that the probe shows at that CO2."""
    rng = np.random.default_rng(3)
    hits = []
    for at in range(count):
        off = float(probe_error_ph("limits of 0.1", 1, rng)[0])
        true = waters.alkalinity_meq_l[at : at + 1] / MEQ_L_PER_DEGREE
        shown = float(kit_shows_dkh("drops of 1 dKH", true, rng)[0]) * MEQ_L_PER_DEGREE
        ions = {"gh_meq_l": float(waters.gh_meq_l[at])} if gh else {}
        found = ph_for_co2(
            float(waters.co2_mg_l[at]), shown, float(waters.temperature_c[at]),
            kh_kit=KhKit(), **ions,
        ).ph  # fmt: skip
        hits.append(found is not None and found.low <= waters.ph[at] + off <= found.high)
    return float(np.mean(hits))


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    engine = phreeqpython.PhreeqPython()
    waters = random_waters(engine, count, seed=23)
    print(f"{count:,} waters, {DRAWS:,} measurements each; intervals that hold the truth, of 100\n")
    found = list(cases(waters))
    print(f"{'kit':20} {'KH':>7} {'probe':15}" + "".join(f"{one:>9}" for one in KNOWN) + "  width")
    for kit, band, probe in product(KIT, BANDS, PROBE):
        row = [one for one in found if (one.kit, one.band, one.probe) == (kit, band, probe)]
        shares = "".join(f"{100 * one.held:9.1f}" for one in row)
        print(f"{kit:20} {band[0]:3.0f}-{band[1]:<3.0f} {probe:15}{shares}  x{row[-1].width:.2f}")
    print("\nthe ten worst")
    for one in sorted(found, key=lambda one: -abs(one.held - 0.95))[:10]:
        print(
            f"{100 * one.held:5.1f}  {one.kit}, KH {one.band[0]:g}-{one.band[1]:g}, {one.probe}, "
            f"known: {one.known}; value / truth {one.ratio:.3f}"
        )
    outside = [one for one in found if not 0.93 <= one.held <= 0.97]
    print(f"outside of 93 to 97: {len(outside)} of {len(found)}")
    print("\na count taken as it is read, its error as normal (calibrated probe, GH known)")
    for band in BANDS:
        ratio, share = as_read(waters, band)
        reads = f"{100 * (ratio - 1):+.0f} %"
        print(f"KH {band[0]:g}-{band[1]:g}: reads {reads}, holds {100 * share:.0f}")
    changes = random_changes(engine, count // 2, seed=29)
    print("\nwater changes (drops of 1 dKH, probe of ±0.1), pH aimed at")
    for gh in (True, False):
        gas, acid, worst = change_holds(changes, gh=gh)
        aim = aim_holds(waters, count // 2, gh=gh)
        print(
            f"GH {'known' if gh else 'not known'}: CO2 {100 * gas:.1f}, pH {100 * acid:.1f}, worst "
            f"CO2 of exact inputs {100 * worst:.1f} %; pH aimed at {100 * aim:.1f}"
        )


if __name__ == "__main__":
    main()
