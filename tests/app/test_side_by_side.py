"""Parts that run side by side end when asked, whoever reads what they write."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
from contextlib import contextmanager

import pytest

from service.app.passed_on import PassedOn
from tests.cli.conftest import ROOT

#: Far less than the patience after which a part is killed, also on a busy machine.
ENDS_WITHIN_S = 25.0

# Says on standard output that no more line finds room, and when asked to end writes some more.
WRITES_WHEN_ASKED = """
import signal, sys, threading, time
written = 0
def count():
    before = -1
    while written != before:
        before = written
        time.sleep(1)
    print("full", flush=True)
def end(*_):
    raise SystemExit
signal.signal(signal.SIGTERM, end)
threading.Thread(target=count, daemon=True).start()
try:
    while True:
        written += sys.stderr.write("x" * 1000 + chr(10))
finally:
    for number in range(200):
        print("last line", number, file=sys.stderr)
    print("ended by itself", flush=True)
"""

SAYS_HOW_IT_ENDS = """
import signal
asked = signal.SIGINT, signal.SIGTERM
signal.pthread_sigmask(signal.SIG_BLOCK, asked)
print("ready", flush=True)
print(signal.Signals(signal.sigwait(asked)).name, flush=True)
"""

UP = """
import sys, threading
from service.app.side_by_side import Part, SideBySide
from service.app.signals import set_by_signals
stop = threading.Event()
with set_by_signals(stop), SideBySide() as together:
    together.start(Part("loud", [sys.executable, "-c", sys.argv[1]]))
    together.wait(stop)
"""


@contextmanager
def up_with(part, **options):
    """A process that runs a part side by side with nothing; killed at the end where it still is."""
    with subprocess.Popen(
        [sys.executable, "-c", UP, part],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        **options,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.parametrize("opened", [os.pipe, pty.openpty])
def test_the_end_does_not_wait_for_somebody_who_no_longer_reads_standard_error(opened):
    unread, errors = opened()
    try:
        with up_with(WRITES_WHEN_ASKED, stderr=errors) as process:
            assert process.stdout.readline() == "full\n"
            process.send_signal(signal.SIGTERM)
            assert process.wait(ENDS_WITHIN_S) == 0
            assert process.stdout.read() == "ended by itself\n"
    finally:
        os.close(errors)
        os.close(unread)


def test_ctrl_c_reaches_the_parts_by_the_one_who_ends_them_in_order():
    with up_with(SAYS_HOW_IT_ENDS, start_new_session=True) as process:
        assert process.stdout.readline() == "ready\n"
        os.killpg(process.pid, signal.SIGINT)
        assert process.wait(ENDS_WITHIN_S) == 0
        assert process.stdout.read() == "SIGTERM\n"


def test_long_lines_arrive_whole_also_at_the_end(capfd):
    passed_on, line = PassedOn(), b"y" * 100_000 + b"\n"
    passed_on.write(line)
    passed_on.begin_end()
    passed_on.write(line)
    assert capfd.readouterr().err == 2 * line.decode()
