"""Looks up the locked packages in the databases of known vulnerabilities, where the network allows.

Exit code 1: one of them has a known advisory. Where the databases cannot be asked, or do not know a
package, it says so and the exit code is 0: lack of network is no fault of the code.

    python tests/bench/advisories.py
"""

from __future__ import annotations

import json
import subprocess
import sys
import venv
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[2]
LOCKS: Final = tuple(
    ROOT / "docker" / name for name in ("requirements-image.lock", "requirements-test.lock")
)
"""The first is what users run, and has all of requirements.lock; the second has the tests' too."""

TOOL: Final = "pip-audit>=2.10,<3"
DATABASES: Final = ("pypi", "osv")
PATIENCE_S: Final = 300

ACCEPTED: Final[dict[str, str]] = {}
"""Advisories that do not concern us: id -> why."""


@dataclass
class Report:
    """What the databases know of one lock file.

    Attributes:
        found: ``package version: id``, each that is not accepted.
        unknown: packages that could not be looked up, and why.
        known: how many packages were looked up.
    """

    found: list[str] = field(default_factory=list)
    unknown: dict[str, str] = field(default_factory=dict)
    known: int = 0


class CannotAskError(Exception):
    """The tool or a database cannot be reached."""


Run = Callable[[Sequence[str]], "subprocess.CompletedProcess[str]"]


def run(command: Sequence[str]) -> subprocess.CompletedProcess[str]:
    """Run a program, and keep what it says."""
    try:
        return subprocess.run(
            command, capture_output=True, text=True, timeout=PATIENCE_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise CannotAskError(str(error)) from error


def tool(folder: Path, run: Run) -> str:
    """The path of pip-audit, in a virtual environment of its own.

    Raises:
        CannotAskError: it cannot be installed.
    """
    program = folder / "bin" / "pip-audit"
    if not program.exists():
        venv.create(folder, with_pip=True, clear=True)
        done = run([str(folder / "bin" / "python"), "-m", "pip", "install", "-q", TOOL])
        if done.returncode:
            raise CannotAskError(f"{TOOL} cannot be installed: {last_line(done.stderr)}")
    return str(program)


def ask(program: str, lock: Path, database: str, run: Run) -> Report:
    """Look up the packages of one lock file in one database.

    Raises:
        CannotAskError: the database does not answer.
    """
    words = ["--require-hashes", "--disable-pip", "--progress-spinner", "off", "--format", "json"]
    done = run([program, "-r", str(lock), "-s", database, *words])
    try:
        packages = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError) as error:
        raise CannotAskError(last_line(done.stderr)) from error
    report = Report()
    for one in packages:
        if "skip_reason" in one:
            report.unknown[one["name"]] = one["skip_reason"]
            continue
        report.known += 1
        report.found += [
            f"{one['name']} {one['version']}: {vulnerability['id']}"
            for vulnerability in one["vulns"]
            if vulnerability["id"] not in ACCEPTED
        ]
    return report


def last_line(text: str) -> str:
    """The last line that says something."""
    lines = [line for line in text.splitlines() if line.strip()]
    return lines[-1].strip()[:300] if lines else "no reason given"


def check(folder: Path, run: Run = run) -> tuple[int, list[str]]:
    """Look up all lock files; the exit code, and what to print."""
    lines: list[str] = []
    try:
        program = tool(folder, run)
    except CannotAskError as error:
        return 0, [f"advisories could not be checked: {error}"]
    code = 0
    for lock in LOCKS:
        for database in DATABASES:
            try:
                report = ask(program, lock, database, run)
            except CannotAskError as error:
                lines.append(f"{lock.name}: {database} could not be asked: {error}")
                continue
            lines += [f"{lock.name}: {one}" for one in report.found]
            code = 1 if report.found else code
            if report.known:
                lines.append(f"{lock.name}: {report.known} packages looked up in {database}")
            if not report.unknown:
                break
            name, reason = next(iter(report.unknown.items()))
            lines.append(
                f"{lock.name}: {len(report.unknown)} packages could not be looked up in "
                f"{database}, such as {name}: {reason}"
            )
    return code, lines


def main() -> int:
    """Print what was found."""
    code, lines = check(ROOT / ".venv-audit")
    print("\n".join(lines))
    return code


if __name__ == "__main__":
    sys.exit(main())
