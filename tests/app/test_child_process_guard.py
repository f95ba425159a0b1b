"""Children end with their parent, also when nobody could tell them: kill -9."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.app import ENDS_WITHIN_S
from service.app.child_process_guard import PATIENCE_S, ChildProcessGuard
from tests.cli.conftest import ROOT
from tests.servers import wait_until

PARENT = """
import subprocess, sys, time
from service.app.child_process_guard import ChildProcessGuard
guard = ChildProcessGuard()
children = [subprocess.Popen(guard.command(sys.argv[1:]), pass_fds=guard.fds) for _ in range(2)]
print(*(child.pid for child in children), flush=True)
time.sleep(600)
"""
UP = """
import sys, threading
from service.app.side_by_side import Part, SideBySide
with SideBySide() as together:
    together.start(Part("one", sys.argv[1:]))
    together.start(Part("two", sys.argv[1:]))
    together.wait(threading.Event())
"""


def is_there(pid):
    """Whether a process runs; one that nobody has waited for has ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_nobody_is_killed_while_it_ends_as_it_should():
    """The ingester empties its queue and its spool first; the units of systemd wait as long."""
    assert ENDS_WITHIN_S < PATIENCE_S
    for unit in (ROOT / "docker/systemd").glob("*.service"):
        [stop_s] = re.findall(r"^TimeoutStopSec=(\d+)s$", unit.read_text(), re.MULTILINE)
        assert int(stop_s) >= PATIENCE_S


@pytest.fixture
def family():
    """``family(command)``: a parent that runs the command twice, and its children's ids."""
    started = []

    def start(*command):
        parent = subprocess.Popen(
            [sys.executable, "-c", PARENT, *command], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        children = [int(word) for word in parent.stdout.readline().split()]
        started.append((parent, children))
        return parent, children

    yield start
    for parent, children in started:
        parent.kill()
        parent.wait()
        parent.stdout.close()
        for pid in filter(is_there, children):
            os.kill(pid, signal.SIGKILL)


def test_kill_9_of_the_parent_ends_the_children(family):
    parent, children = family("sleep", "600")
    wait_until(lambda: all(Path(f"/proc/{pid}/comm").read_text() == "sleep\n" for pid in children))
    parent.kill()
    parent.wait()
    wait_until(lambda: not any(map(is_there, children)))


def test_a_child_is_asked_before_it_is_killed(family, tmp_path):
    said = tmp_path / "said"
    stops = (
        f"sleep 600 & trap 'echo asked >> {said}; kill $!; exit' TERM; echo ready >> {said}; wait"
    )
    parent, children = family("sh", "-c", stops)
    wait_until(lambda: said.exists() and said.read_text().count("ready") == 2)
    parent.kill()
    wait_until(lambda: said.read_text().count("asked") == 2)
    wait_until(lambda: not any(map(is_there, children)))


def test_kill_9_of_littoral_up_ends_its_parts():
    parts = ["sh", "-c", "echo $$; exec sleep 600"]
    up = subprocess.Popen(
        [sys.executable, "-c", UP, *parts], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert up.stdout is not None
    running = [int(up.stdout.readline()) for _ in range(2)]
    assert all(map(is_there, running))
    up.kill()
    up.wait()
    wait_until(lambda: not any(map(is_there, running)))
    up.stdout.close()


def test_the_child_has_the_id_and_the_exit_code_that_the_parent_sees():
    guard = ChildProcessGuard()
    shows = [sys.executable, "-c", "import os; print(os.getpid()); raise SystemExit(3)"]
    child = subprocess.Popen(
        guard.command(shows), pass_fds=guard.fds, stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    assert int(child.stdout.read()) == child.pid  # the watcher does not hold the stream
    assert child.wait() == 3
    child.stdout.close()
    guard.close()
