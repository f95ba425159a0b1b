"""How long a command needs to start, and how much memory, beside bare Python and a bare numpy.

Each program is run several times in turn; the least of each figure counts. A goal is compared with
the processor time: a start waits for nothing, so that is the wall time of a machine without load.
Modules are compiled by the first run, as pip leaves them.
Run: python -m tests.bench.start_up
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

ROUNDS: Final = 7
_CO2: Final = ("co2", "--ph", "6.6", "--kh", "4", "--temperature", "24")
_LITTORAL: Final = ("-c", "from service.cli import main; main()")

PROGRAMS: Final[dict[str, tuple[str, ...]]] = {
    "python -c pass": ("-c", "pass"),
    "import numpy": ("-c", "import numpy"),
    "littoral --help": (*_LITTORAL, "--help"),
    "littoral co2": (*_LITTORAL, *_CO2),
    "littoral status --help": (*_LITTORAL, "status", "--help"),
    "littoral log --help": (*_LITTORAL, "log", "--help"),
    "littoral tank --help": (*_LITTORAL, "tank", "--help"),
}
GOALS: Final = {"littoral --help": (0.25, 30.0), "littoral co2": (0.35, None)}
"""Time, s, and peak of resident memory, MB."""


class Cost(NamedTuple):
    """What one run took.

    Attributes:
        wall_s, processor_s: time; ``peak_mb``: most resident memory.
    """

    wall_s: float
    processor_s: float
    peak_mb: float


def run(arguments: Sequence[str], environ: Mapping[str, str]) -> Cost:
    """Run Python once."""
    began = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=environ,
    )
    _, status, used = os.wait4(child.pid, 0)
    took = time.perf_counter() - began
    assert child.stderr is not None
    assert status == 0, child.stderr.read().decode()
    child.stderr.close()
    return Cost(took, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def main() -> None:
    """Print a row for each program."""
    costs: dict[str, list[Cost]] = {name: [] for name in PROGRAMS}
    with tempfile.TemporaryDirectory(prefix="littoral-bench-") as compiled:
        kept = {"PYTHONPYCACHEPREFIX": compiled, "PYTHONDONTWRITEBYTECODE": ""}
        for _ in range(ROUNDS):
            for name, arguments in PROGRAMS.items():
                costs[name].append(run(arguments, {**os.environ, **kept}))
    best = {name: Cost(*map(min, zip(*found, strict=True))) for name, found in costs.items()}
    bare, numpy = best["python -c pass"], best["import numpy"]
    print(f"{'program':24} {'wall s':>7} {'cpu s':>7} {'MB':>6} {'x bare':>7} {'x numpy':>8}  goal")
    for name, one in best.items():
        most_s, peak = GOALS.get(name, (None, None))
        goal = " ".join(
            part
            for part in (
                "" if most_s is None else f"{most_s:g} s {_met(one.processor_s, most_s)}",
                "" if peak is None else f"{peak:g} MB {_met(one.peak_mb, peak)}",
            )
            if part
        )
        print(
            f"{name:24} {one.wall_s:7.3f} {one.processor_s:7.3f} {one.peak_mb:6.1f} "
            f"{one.processor_s / bare.processor_s:7.1f} {one.processor_s / numpy.processor_s:8.1f}"
            f"  {goal}"
        )


def _met(found: float, most: float) -> str:
    return "met" if found <= most else "missed"


if __name__ == "__main__":
    main()
