"""What a home writes to its disk: bytes of each process, for each reading and for a day.

    python -m tests.bench.card_writes [--minutes 10] [--per-second 0.15] [--days 8] [--device loop0]

``write_bytes`` of ``/proc/PID/io``: pages of 4 KiB that a process made dirty, each counted anew
once it was written; less what it deleted before that (``cancelled_write_bytes``). Where the file
system keeps a file in larger pieces (ext4 since Linux 6.16), all of a piece is counted. Its own
journal is not in it. ``--device`` names a block device on which TMPDIR lies and nothing else
writes, such as an image mounted by ``mount -o loop``: what that was given, the journal included.

Ordinary: three tanks with three sensors each that report once a minute, 0.15 readings/s. The folder
must lie on a disk: a file system in memory counts nothing. Settings are tried in the environment,
such as LITTORAL_INGEST__BATCH_AGE_S=1.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from tests.bench.home import Home, Sensors, home

DAY_S: Final = 86_400.0
GOAL_MB: Final = 50.0
DEVICE: Final = "the device"
_SETTLED_S: Final = 15.0


def written(one: Home, device: str | None = None) -> dict[str, int]:
    """Bytes that each process has sent to the disk so far, and that a device has been given."""
    found = {name: _of_process(pid) for name, pid in one.processes.items()}
    return found if device is None else {**found, DEVICE: _of_device(device)}


def _of_device(name: str) -> int:
    """Of the fields of /sys/block/NAME/stat the seventh: sectors of 512 bytes written."""
    return 512 * int(Path(f"/sys/block/{name}/stat").read_text().split()[6])


def _of_process(pid: int) -> int:
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    found = {name: int(number) for name, _, number in (line.partition(": ") for line in lines)}
    return found["write_bytes"] - found["cancelled_write_bytes"]


def measure(
    one: Home, per_second: float, seconds: float, device: str | None = None
) -> tuple[Mapping[str, int], int, float]:
    """Bytes by process while sensors report for so long, the readings, and the seconds taken."""
    with Sensors(one, per_second) as sensors:
        time.sleep(_SETTLED_S)
        before, sent, start_s = written(one, device), sensors.sent, time.monotonic()
        time.sleep(seconds)
        after, took_s = written(one, device), time.monotonic() - start_s
        count = sensors.sent - sent
    return {name: after[name] - before[name] for name in before}, count, took_s


def main() -> None:
    """Print a line for each process, and the sum."""
    options = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    options.add_argument("--minutes", type=float, default=10)
    options.add_argument("--per-second", type=float, default=0.15, help="readings of all sensors")
    options.add_argument("--days", type=int, default=8, help="of readings behind it")
    options.add_argument("--device", help="block device of TMPDIR, with nothing else on it")
    chosen = options.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="card-writes-") as folder,
        home(Path(folder), chosen.days) as one,
    ):
        one.wait_until_evaluated()
        one.ask()
        found, readings, seconds = measure(
            one, chosen.per_second, 60 * chosen.minutes, chosen.device
        )
    print(f"{readings} readings in {seconds:.0f} s, {readings / seconds:.2f}/s")
    print(f"{'process':18} {'bytes':>12} {'per reading':>12} {'MB/day':>9}")
    processes = sum(number for name, number in found.items() if name != DEVICE)
    for name, number in [*found.items(), ("all", processes)]:
        a_day = number / seconds * DAY_S / 1e6
        judged = ""
        if name == "all" and readings / seconds < 1:
            judged = f"  goal {GOAL_MB:.0f} {'met' if a_day <= GOAL_MB else 'missed'}"
        print(f"{name:18} {number:12,} {number / max(readings, 1):12,.0f} {a_day:9.1f}{judged}")


if __name__ == "__main__":
    main()
