"""Time and memory that the command ``littoral`` takes before it does anything.

Each command is run in turn with the others, so that a busy machine is unfair to all alike: median
of wall times, least of processor times, highest peak of resident memory. Beside them stands a bare
Python that imports click and no more. The last line is the process that waits in ``littoral up``.

    python tests/bench/start_up.py [--runs 10] [--tree FOLDER]
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

COMMANDS = {
    "python -c 'import click'": ["-c", "import click"],
    "littoral --help": ["-m", "service", "--help"],
    "littoral co2": ["-m", "service", "co2", "--ph=6.6", "--kh=4", "--temperature=24"],
    "littoral status --help": ["-m", "service", "status", "--help"],
    "littoral token list": ["-m", "service", "token", "list"],
    "littoral serve --help": ["-m", "service", "serve", "--help"],
}


def run(arguments: list[str], tree: Path, folder: Path) -> tuple[float, float, float]:
    """Wall time, s, processor time, s, and peak resident memory, MB, of one run."""
    databases = {one: f"sqlite:///{folder}/{one}.db" for one in ("registry", "store")}
    urls = {f"LITTORAL_{one.upper()}__URL": url for one, url in databases.items()}
    environ = {**os.environ, **urls}
    began = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, *arguments], cwd=tree, env=environ, stdout=subprocess.DEVNULL
    )
    _, status, usage = os.wait4(child.pid, 0)
    took_s = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0, arguments
    return took_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def resident_of_up(tree: Path, folder: Path) -> float:
    """Resident memory, MB, of ``littoral up`` once the service answers."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    file = folder / "littoral.toml"
    file.write_text(
        f'[store]\nurl = "sqlite:///{folder}/readings.db"\n'
        f'[registry]\nurl = "sqlite:///{folder}/registry.db"\n'
        f'[mqtt]\nurl = "mqtt://127.0.0.1:1"\n[advice]\npublish = false\n'
        f'[ingest]\nspool_path = "{folder}/spool.db"\n[http]\nport = {port}\n'
    )
    command = [sys.executable, "-m", "service", "up", "--config", str(file)]
    up = subprocess.Popen(command, cwd=tree, stderr=subprocess.DEVNULL)
    try:
        end_s = time.monotonic() + 60
        while time.monotonic() < end_s:
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                time.sleep(0.1)
        status = Path(f"/proc/{up.pid}/status").read_text()
        return int(status.split("VmRSS:")[1].split()[0]) / 1024
    finally:
        up.send_signal(signal.SIGTERM)
        up.wait(60)


def main() -> None:
    """Print a line for each command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--tree", type=Path, default=Path(__file__).parents[2])
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run(["-m", "service", "check", "--create"], chosen.tree, folder)  # the registry
        found: dict[str, list[tuple[float, float, float]]] = {title: [] for title in COMMANDS}
        for _ in range(chosen.runs):
            for title, arguments in COMMANDS.items():
                found[title].append(run(arguments, chosen.tree, folder))
        for title, results in found.items():
            took_s = statistics.median(one[0] for one in results)
            cpu_s = min(one[1] for one in results)
            peak_mb = max(one[2] for one in results)
            print(f"{title:28} {took_s:5.2f} s, processor {cpu_s:5.2f} s, {peak_mb:4.0f} MB")
        print(f"{'waiting littoral up':28} {resident_of_up(chosen.tree, folder):33.0f} MB resident")


if __name__ == "__main__":
    main()
