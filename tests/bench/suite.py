"""Processor time of tests by file, with that of the processes that they waited for.

    sh tests/run.sh -p tests.bench.suite

What a process leaves running (a browser, a server of the whole run) counts where it is ended. The
whole has also what belongs to no test: collecting, and the processes that share out the tests. What
part of the cores it took says whether the tests wait for each other or for the processor.
"""

from __future__ import annotations

import os
import resource
import time
from collections import defaultdict
from collections.abc import Generator
from typing import Final

import pytest

MOST_FILES: Final = 40
NAME: Final = "processor_s"
_BEGAN_S: Final = time.monotonic()
_by_file: dict[str, float] = defaultdict(float)


def _used_s() -> float:
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in used)


def _measured(item: pytest.Item) -> Generator[None]:
    before = _used_s()
    try:
        return (yield)
    finally:
        item.user_properties.append((NAME, _used_s() - before))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None]:
    """Measure its fixtures."""
    return (yield from _measured(item))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None]:
    """Measure its own part."""
    return (yield from _measured(item))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_teardown(item: pytest.Item) -> Generator[None]:
    """Measure its end."""
    return (yield from _measured(item))


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Add up what a test took, once it has ended."""
    if report.when == "teardown":
        file = report.nodeid.partition("::")[0]
        _by_file[file] += sum(float(str(s)) for name, s in report.user_properties if name == NAME)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the sum and the files that took most."""
    terminalreporter.section(f"processor time: {sum(_by_file.values()):.0f} s")
    whole_s, clock_s = _used_s(), time.monotonic() - _BEGAN_S
    share = whole_s / clock_s / len(os.sched_getaffinity(0))
    terminalreporter.write_line(
        f"{whole_s:7.1f} s  all, in {clock_s:.0f} s: {share:.0%} of the cores"
    )
    most = sorted(_by_file.items(), key=lambda one: one[1], reverse=True)[:MOST_FILES]
    for file, seconds in most:
        terminalreporter.write_line(f"{seconds:7.1f} s  {file}")
