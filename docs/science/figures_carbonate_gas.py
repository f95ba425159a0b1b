"""Draw ours against the reference for the carbonate system, gas exchange and probes.

Run from the top of the repository: python -m docs.science.figures_carbonate_gas
Needs the extras `docs` and `test`. Writes SVG into docs/science/figures/ and prints the figures
quoted on the pages.
"""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl

mpl.use("svg")

import matplotlib.pyplot as plt
import numpy as np
import phreeqpython
import PyCO2SYS
from matplotlib.axes import Axes

from service.science.carbonate import co2
from service.science.carbonate.alkalinity import carbonate_side, non_carbonate_alkalinity_meq_l
from service.science.constants import CO2_G_MOL
from service.science.gas_exchange import air_water
from service.science.gas_exchange.fit import fit_gas_exchange
from service.science.sensors import raw_signals
from service.science.water.hardness import meq_l_from_dkh
from tests.science.phreeqc_waters import Waters, khco3_co2_mg_l, random_waters
from tests.science.tank_model import HOUR, START_S, Electrode, Tank, run

OUT = Path(__file__).parent / "figures"
OURS, REFERENCE, LIMIT = "#1b6f8a", "#c2571a", "#7a7a7a"
OXYGEN_TABLE = {0: 14.621, 5: 12.771, 10: 11.288, 15: 10.084, 20: 9.092, 25: 8.263, 30: 7.559}

mpl.rcParams.update(
    {
        "svg.hashsalt": "littoral",
        "font.size": 9,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "figure.constrained_layout.use": True,
        "legend.frameon": False,
    }
)


def save(drawing: plt.Figure, name: str) -> None:
    """Write the figure without a date, so that it changes only when its content does."""
    OUT.mkdir(exist_ok=True)
    drawing.savefig(OUT / f"{name}.svg", metadata={"Date": None})
    plt.close(drawing)
    print(f"{name}.svg")


def against_phreeqc(engine: phreeqpython.PhreeqPython) -> None:
    """Deviation from PHREEQC over pH, at three KH and 24 °C."""
    ph = np.round(np.arange(5.8, 8.61, 0.1), 2)
    drawing, (fine, coarse) = plt.subplots(1, 2, figsize=(7.2, 3.0))
    for kh, style in ((1, ":"), (4, "-"), (15, "--")):
        meq = float(meq_l_from_dkh(kh))
        reference = np.array([khco3_co2_mg_l(engine, each, meq, 24.0) for each in ph])
        full = 100 * (co2.co2_mg_l(ph, meq, 24.0) / reference - 1)
        fine.plot(ph, full, style, color=OURS, label=f"{kh} dKH")
        rule = 100 * (co2.co2_rule_of_thumb_mg_l(ph, kh) / reference - 1)
        plain = 100 * (co2.co2_mg_l(ph, meq, 24.0, activity="none") / reference - 1)
        coarse.plot(ph, rule, style, color=REFERENCE)
        coarse.plot(ph, plain, style, color=LIMIT)
        coarse.plot(ph, full, style, color=OURS)
    fine.axhline(0, color=LIMIT, lw=0.6)
    fine.set(
        xlabel="pH", ylabel="deviation from PHREEQC, %", ylim=(-0.2, 0.2), title="full balance"
    )
    fine.legend()
    coarse.set(xlabel="pH", ylim=(-24, 12), title="beside simpler forms")
    for label, colour in (
        ("full balance", OURS),
        ("no activity correction", LIMIT),
        ("3 KH 10^(7 - pH)", REFERENCE),
    ):
        coarse.plot([], [], color=colour, label=label)
    coarse.legend(loc="lower left")
    save(drawing, "carbonate-phreeqc")


def against_pyco2sys() -> None:
    """The independent check of the constants: deviation of the no-activity form."""
    ph = np.linspace(5.8, 8.6, 57)
    drawing, axes = plt.subplots(figsize=(5.4, 2.8))
    for celsius, style in ((18, ":"), (24, "-"), (30, "--")):
        theirs = PyCO2SYS.sys(
            par1=1400.0, par1_type=1, par2=ph, par2_type=3, salinity=0,
            temperature=celsius, opt_k_carbonic=8,
        )["aqueous_CO2"] * CO2_G_MOL * 1e-3  # fmt: skip
        ours = co2.co2_mg_l(ph, 1.4, celsius, activity="none")
        axes.plot(ph, 100 * (ours / theirs - 1), style, color=OURS, label=f"{celsius} °C")
    axes.axhline(0, color=LIMIT, lw=0.6)
    axes.set(xlabel="pH", ylabel="deviation from PyCO2SYS, %", ylim=(-0.3, 0.3))
    axes.legend()
    save(drawing, "carbonate-pyco2sys")


def full_waters(engine: phreeqpython.PhreeqPython) -> None:
    """Deviation on 400 full compositions by what is known of the water."""
    waters = random_waters(engine, 400, seed=11)
    gh = {"gh_meq_l": waters.gh_meq_l}
    ec = {"conductivity_us_cm": waters.conductivity_us_cm}
    cases = [
        ("pH, KH, temperature only", waters.alkalinity_meq_l, {}),
        ("and GH", waters.alkalinity_meq_l, gh),
        ("and conductivity", waters.alkalinity_meq_l, ec),
        ("and both", waters.alkalinity_meq_l, gh | ec),
        ("and phosphate", _without_phosphate(waters), gh | ec),
    ]
    drawing, axes = plt.subplots(figsize=(6.4, 2.8))
    rng = np.random.default_rng(0)
    for row, (name, meq, known) in enumerate(cases):
        ours = co2.co2_mg_l(waters.ph, meq, waters.temperature_c, **known)
        off = 100 * (ours / waters.co2_mg_l - 1)
        axes.plot(off, row + rng.uniform(-0.3, 0.3, off.size), ".", ms=2, color=OURS)
        print(f"  {name}: {off.min():+.2f} to {off.max():+.2f} %, median {np.median(off):+.2f} %")
    axes.axvspan(-2, 2, color=LIMIT, alpha=0.12, lw=0)
    axes.set_yticks(range(len(cases)), [name for name, *_ in cases])
    axes.invert_yaxis()
    axes.set_xlabel("deviation from PHREEQC, %")
    save(drawing, "carbonate-waters")


def _without_phosphate(waters: Waters) -> np.ndarray:
    phosphate = non_carbonate_alkalinity_meq_l(
        waters.ph, waters.temperature_c, phosphate_mg_l=waters.phosphate_mg_l
    )
    return carbonate_side(waters.alkalinity_meq_l, phosphate)[0]


def interval() -> None:
    """CO2 and its interval over pH at 4 dKH, with Monte Carlo."""
    rng = np.random.default_rng(3)
    meq, celsius = float(meq_l_from_dkh(4)), 24.0
    ph = np.linspace(6.2, 7.4, 49)
    ions = {"gh_meq_l": 2.0, "conductivity_us_cm": 300.0}
    found = co2.estimate_co2(ph, meq, celsius, **ions)
    drawing, axes = plt.subplots(figsize=(5.4, 3.0))
    axes.fill_between(ph, found.low, found.high, color=OURS, alpha=0.2, lw=0, label="95 %")
    axes.plot(ph, found.value, color=OURS, label="value")
    half = co2.DEFAULT_ALKALINITY_HALF_WIDTH_MEQ_L
    for each in ph[::6]:
        sampled = co2.co2_mg_l(
            each + rng.normal(0, np.hypot(0.02, 0.025), 40_000),
            meq + rng.uniform(-half, half, 40_000),
            celsius + rng.normal(0, 0.3, 40_000),
            **ions,
        )
        axes.plot([each] * 2, np.quantile(sampled, [0.025, 0.975]), "_", color=REFERENCE, ms=9)
    axes.plot([], [], "_", color=REFERENCE, ms=9, label="Monte Carlo")
    axes.set(xlabel="pH", ylabel="CO2, mg/L", yscale="log", yticks=[5, 10, 20, 30, 50, 100])
    axes.yaxis.set_major_formatter("{x:g}")
    axes.minorticks_off()
    axes.legend()
    save(drawing, "carbonate-interval")


def air() -> None:
    """Oxygen against the published table; CO2 in equilibrium with outdoor and room air."""
    celsius = np.linspace(0, 35, 71)
    drawing, (left, right) = plt.subplots(1, 2, figsize=(7.2, 2.8))
    left.plot(celsius, air_water.oxygen_saturation_mg_l(celsius), color=OURS, label="ours, 1 atm")
    low = air_water.oxygen_saturation_mg_l(
        celsius, pressure_atm=air_water.pressure_atm_from_altitude(1000)
    )
    left.plot(celsius, low, "--", color=OURS, label="ours, 1000 m")
    left.plot(*zip(*OXYGEN_TABLE.items(), strict=True), "D", ms=4, color=REFERENCE, label="table")
    left.set(xlabel="°C", ylabel="oxygen, mg/L")
    left.legend()
    for ppm, style in ((420, "-"), (600, "--"), (1000, ":")):
        level = air_water.co2_air_equilibrium_mg_l(celsius, co2_ppm=ppm)
        right.plot(celsius, level, style, color=OURS, label=f"{ppm} ppm")
    right.plot(
        [20, 25, 30], [0.708, 0.610, 0.529], "D", ms=4, color=REFERENCE, label="Weiss, 420 ppm"
    )
    right.set(xlabel="°C", ylabel="CO2, mg/L", ylim=(0, None))
    right.legend()
    save(drawing, "gas-air")


def fitted_week() -> None:
    """A simulated noisy week, and what the fit makes of 60 such weeks."""
    tank = Tank(k20_per_h=0.25, injection_mg_l_h=9.0, every_s=300)
    made = run(tank, Electrode(), 1)
    found = fit_gas_exchange(made.time_s, made.co2_mg_l, made.temperature_c, lit=made.lit)
    drawing, (series, spread) = plt.subplots(
        1, 2, figsize=(8.0, 3.0), gridspec_kw={"width_ratios": [3, 2]}
    )
    day = (made.time_s - START_S) / HOUR / 24
    series.plot(day[::3], made.co2_mg_l[::3], ".", ms=1.5, color=LIMIT)
    for on, off in made.gas_on_s:
        series.axvspan(*((np.array([on, off]) - START_S) / HOUR / 24), color=OURS, alpha=0.1, lw=0)
    series.set(xlabel="day", ylabel="CO2, mg/L", yscale="log", ylim=(1, 60))
    series.set_yticks([1, 2, 5, 10, 20, 50], ["1", "2", "5", "10", "20", "50"])
    series.minorticks_off()
    injection = found.injection_mg_l_h
    made_of = "not seen" if injection is None else f"{injection.value:.2f} mg/L/h (9)"
    series.set_title(f"k20 {found.k20_per_h.value:.3f}/h (0.25), injection {made_of}", fontsize=8)
    _recovery(spread)
    save(drawing, "gas-fit")


def _recovery(axes: Axes) -> None:
    cases = [(0.1, 4.0, 7), (0.1, 4.0, 14), (0.2, 8.0, 7), (0.5, 18.0, 7), (1.0, 30.0, 7)]
    for row, (k20, injection, days) in enumerate(cases):
        k_off, j_off, inside = [], [], 0
        tank = Tank(k20_per_h=k20, injection_mg_l_h=injection, every_s=300, days=days)
        for seed in range(60):
            made = run(tank, Electrode(), seed)
            found = fit_gas_exchange(made.time_s, made.co2_mg_l, made.temperature_c, lit=made.lit)
            k_off.append(100 * (float(found.k20_per_h.value) / k20 - 1))
            if found.injection_mg_l_h is not None:
                j_off.append(100 * (float(found.injection_mg_l_h.value) / injection - 1))
            inside += bool(found.k20_per_h.low <= k20 <= found.k20_per_h.high)
        axes.plot(k_off, np.full(60, row - 0.12), "|", color=OURS)
        axes.plot(j_off, np.full(len(j_off), row + 0.12), "|", color=REFERENCE)
        within = np.mean(np.abs(k_off) < 10), np.mean(np.abs(j_off) < 10)
        print(
            f"  k20 {k20}/h, {days} d: k off {np.mean(k_off):+.1f} ± {np.std(k_off):.1f} %, J off "
            f"{np.mean(j_off):+.1f} ± {np.std(j_off):.1f} %; within 10 %: {within[0]:.0%}, "
            f"{within[1]:.0%}; interval of k holds the truth: {inside / 60:.0%}"
        )
    axes.axvspan(-10, 10, color=LIMIT, alpha=0.12, lw=0)
    axes.set_yticks(range(len(cases)), [f"k {k}/h\n{days} d" for k, _, days in cases], fontsize=7)
    axes.invert_yaxis()
    axes.set_xlabel("k (blue) and injection (red) off by, %")


def electrode() -> None:
    """Buffers over temperature, and the error of leaving out temperature compensation."""
    celsius = np.linspace(10, 40, 61)
    drawing, (left, right) = plt.subplots(1, 2, figsize=(7.2, 2.8))
    for set_name, style in (("nist", "-"), ("technical", "--")):
        for index, each in enumerate(raw_signals.BUFFER_SETS[set_name].values()):
            label = set_name if index == 0 else None
            change = each.ph_at(celsius) - each.ph_at(25.0)
            left.plot(celsius, change, style, color=OURS, label=label)
    left.set(xlabel="°C", ylabel="pH of the buffer less that at 25 °C")
    left.legend()
    ideal = raw_signals.Calibration(0.0, 1.0)
    for ph, style in ((6.0, ":"), (6.6, "-"), (7.4, "--")):
        millivolts = -raw_signals.nernst_mv_per_ph(celsius) * (ph - 7)
        off = raw_signals.ph_from_millivolts(millivolts, 25.0, ideal) - ph
        right.plot(celsius, off, style, color=OURS, label=f"pH {ph}")
    right.axhline(0, color=LIMIT, lw=0.6)
    right.set(xlabel="°C", ylabel="pH error without compensation")
    right.legend()
    save(drawing, "probes-electrode")


def main() -> None:
    engine = phreeqpython.PhreeqPython()
    against_phreeqc(engine)
    against_pyco2sys()
    full_waters(engine)
    interval()
    air()
    fitted_week()
    electrode()


if __name__ == "__main__":
    main()
