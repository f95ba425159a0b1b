"""How fast the carbonate system is beside PyCO2SYS and PHREEQC.

Run: ``python tests/bench/carbonate.py``.

Every figure is measured in this one run, on the same waters. PyCO2SYS gets the same million
values (pass a smaller count as argument for a quick look); PHREEQC, which takes one water
at a time, gets 2,000 and is scaled. Processor time is counted, so that other work on the machine
enters as little as it can; of ours, the shortest of several runs.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import phreeqpython
import PyCO2SYS

sys.path.insert(0, str(Path(__file__).parents[2]))

from service.science.carbonate import co2
from service.science.constants import CO2_G_MOL

REPEATS = 7


def best_of(work: Callable[[], object], repeats: int) -> float:
    """Processor time of the shortest of several runs, s."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    rng = np.random.default_rng(1)
    ph, meq = rng.uniform(6, 7.6, count), rng.uniform(0.36, 3.6, count)
    celsius, conductivity = rng.uniform(20, 28, count), rng.uniform(100, 700, count)

    def theirs() -> dict[str, object]:
        return PyCO2SYS.sys(
            par1=meq * 1e3,
            par1_type=1,
            par2=ph,
            par2_type=3,
            salinity=0,
            temperature=celsius,
            opt_k_carbonic=8,
        )

    def phreeqc() -> None:
        engine = phreeqpython.PhreeqPython()
        for index in range(2000):
            engine.add_solution(
                {
                    "temp": celsius[index],
                    "pH": ph[index],
                    "units": "mmol/kgw",
                    "K": meq[index],
                    "Alkalinity": meq[index],
                }
            ).forget()

    start = time.process_time()
    reference = theirs()
    reference_s = time.process_time() - start
    phreeqc_s = best_of(phreeqc, 1) * count / 2000
    runs = {
        "value, no activity": lambda: co2.co2_mg_l(ph, meq, celsius, activity="none"),
        "value": lambda: co2.co2_mg_l(ph, meq, celsius),
        "value and interval": lambda: co2.estimate_co2(ph, meq, celsius),
        "value and interval, one temperature": lambda: co2.estimate_co2(ph, meq, 25.0),
        "value and interval, conductivity": lambda: co2.estimate_co2(
            ph, meq, celsius, conductivity_us_cm=conductivity
        ),
    }
    print(
        f"{count:,} waters, processor s; ratio to PyCO2SYS {PyCO2SYS.__version__}; ratio to PHREEQC"
    )
    print(f"{'PyCO2SYS, value only':40} {reference_s:9.3f}")
    print(f"{'PHREEQC, value only (scaled)':40} {phreeqc_s:9.3f} {reference_s / phreeqc_s:9.2f}")
    for name, work in runs.items():
        seconds = best_of(work, REPEATS)
        ratios = f"{reference_s / seconds:9.0f} {phreeqc_s / seconds:9.0f}"
        print(f"{'Littoral, ' + name:40} {seconds:9.3f} {ratios}")
    ours = co2.co2_mg_l(ph, meq, celsius, activity="none")
    aqueous = np.asarray(reference["aqueous_CO2"]) * CO2_G_MOL * 1e-3
    print(f"largest deviation from PyCO2SYS, no activity: {np.abs(ours / aqueous - 1).max():.4%}")


if __name__ == "__main__":
    main()
