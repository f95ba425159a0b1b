"""Memory of ``littoral up`` with three tanks, idle after first evaluations and questions.

    python -m tests.bench.memory [--days 8] [--idle 40]

A process's resident memory counts what it shares with others in full; its proportional set size
(PSS) counts a page that n processes share as 1/n, so that the sum is what the machine lacks. Both
are of ``/proc/PID/smaps_rollup``, and the peak (VmHWM) of ``status``. Each of the two that ``up``
starts has a small guard beside it, which ends it should ``up`` be killed.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from tests.bench.home import Sensors, home

THREE: Final = ("up", "ingest", "serve")
GOALS_MB: Final = {"up": 20.0, "the three": 180.0}


def memory_mb(pid: int) -> dict[str, float]:
    """Resident, proportional and private memory of a process, and its peak."""
    found = {}
    for file, names in (("smaps_rollup", ("Rss", "Pss", "Private_Dirty")), ("status", ("VmHWM",))):
        for line in Path(f"/proc/{pid}/{file}").read_text().splitlines():
            name, _, rest = line.partition(":")
            if name in names:
                found[name] = int(rest.split()[0]) / 1024
    return found


def main() -> None:
    """Print a line for each process, and their sum."""
    options = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    options.add_argument("--days", type=int, default=8, help="of readings behind it")
    options.add_argument("--idle", type=float, default=40.0, help="seconds, after the questions")
    chosen = options.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="memory-") as folder,
        home(Path(folder), chosen.days) as one,
        Sensors(one, per_second=9 / 60),
    ):
        one.wait_until_evaluated()
        one.ask()
        time.sleep(chosen.idle)
        found = {name: memory_mb(pid) for name, pid in one.processes.items()}
    print(f"{'process':18} {'resident':>9} {'PSS':>7} {'private':>8} {'peak':>7}  MB")
    for name, used in found.items():
        _print(name, used)
    _print("the three", _sum(found[name] for name in THREE))
    _print("with the guards", _sum(used for name, used in found.items() if name != "broker"))


def _sum(parts: Iterable[dict[str, float]]) -> dict[str, float]:
    total: Counter[str] = Counter()
    for one in parts:
        total.update(one)
    return dict(total)


def _print(name: str, used: dict[str, float]) -> None:
    goal = GOALS_MB.get(name)
    met = "met" if goal is None or used["Pss"] <= goal else "missed"
    judged = "" if goal is None else f"  goal {goal:.0f} {met}"
    print(
        f"{name:18} {used['Rss']:9.1f} {used['Pss']:7.1f} {used['Private_Dirty']:8.1f} "
        f"{used['VmHWM']:7.1f}{judged}"
    )


if __name__ == "__main__":
    main()
