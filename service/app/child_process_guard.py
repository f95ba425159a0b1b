"""Child processes that end with their parent, also when it is killed by ``kill -9``.

The parent holds the writing end of a pipe and never writes. Each child is started through this
file, which leaves a small watcher beside it: when the reading end shows that the parent is gone,
the watcher asks the child to end. No polling, any program, any POSIX system; the child keeps the
process id that the parent knows.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Sequence

#: How long a child may take to end when asked, s; then it is killed. More than the ingester needs
#: at worst, as in docker/systemd.
PATIENCE_S = 30.0
_POLL_S = 0.05


class ChildProcessGuard:
    """The parent's side: children started with it end with this process."""

    def __init__(self) -> None:
        self._read, self._write = os.pipe()  # neither is inherited unless it is asked for

    @property
    def fds(self) -> tuple[int]:
        """For ``pass_fds`` of ``subprocess.Popen``."""
        return (self._read,)

    def command(self, words: Sequence[str]) -> list[str]:
        """The command line that runs ``words`` so that it ends with this process."""
        # Without site packages and environment: this interpreter is gone in milliseconds.
        return [sys.executable, "-I", "-S", __file__, str(self._read), *words]

    def close(self) -> None:
        """Let go: children that still run are asked to end."""
        os.close(self._write)
        os.close(self._read)


def _watch(lifeline: int, child: int) -> None:
    """Wait until the parent is gone, then end the child if it is still there."""
    os.setsid()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    for fd in (0, 1, 2):
        os.close(fd)
    os.read(lifeline, 1)
    for number in (signal.SIGTERM, signal.SIGKILL):
        end_s = time.monotonic() + PATIENCE_S
        # The child is our parent: as long as it is, its process id is nobody else's.
        if os.getppid() != child:
            return
        os.kill(child, number)
        while os.getppid() == child and time.monotonic() < end_s:
            time.sleep(_POLL_S)


def main(lifeline: int, words: Sequence[str]) -> None:
    """Leave a watcher and become the command."""
    child = os.getpid()
    if os.fork() == 0:
        try:
            _watch(lifeline, child)
        finally:
            os._exit(0)
    os.close(lifeline)
    os.execvp(words[0], list(words))


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2:])
