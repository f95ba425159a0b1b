"""Processes that run side by side: when one of them ends, so do the others, and it is said why."""

from __future__ import annotations

import signal
import subprocess
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import IO, Final, Self

from service.app.child_process_guard import PATIENCE_S, ChildProcessGuard
from service.app.passed_on import PassedOn

_TICK_S: Final = 0.2
_LONGEST: Final = 300
"""Characters of a last line that are repeated."""


@dataclass(frozen=True, slots=True)
class Part:
    """One of the processes.

    Attributes:
        name: as messages call it.
        command: its command line.
        outlives: it is ended after the others, which need it, and not by Ctrl-C itself.
    """

    name: str
    command: Sequence[str]
    outlives: bool = False


@dataclass(frozen=True, slots=True)
class Ended:
    """A part that ended by itself.

    Attributes:
        code: its exit code; below 0: the number of the signal that ended it.
        last_line: what it wrote last to standard error; "" for nothing.
    """

    name: str
    code: int
    last_line: str

    @property
    def exit_code(self) -> int:
        """For the whole: the part's own, 1 where it has none that says something is wrong."""
        return max(self.code, 1)

    @property
    def why(self) -> str:
        """One line: which part ended, how, and what it said last."""
        how = f"with exit code {self.code}"
        if self.code < 0:
            how = f"by {_signal_name(-self.code)}"
            if self.code == -signal.SIGKILL:
                how += ", as where memory runs out"
        said = self.last_line
        if len(said) > _LONGEST:
            said = said[: _LONGEST - 1] + "…"
        return f"{self.name} ended {how}" + (f"; it said last: {said}" if said else "")


class SideBySide:
    """Parts that run; a context manager that ends those that still do.

    Should this process be killed, they end too. What they write to standard error is passed on; it
    does not hold up the end where nobody reads it.
    """

    def __init__(self) -> None:
        self._guard = ChildProcessGuard()
        self._passed_on = PassedOn()
        self._running: list[_Running] = []

    def start(self, part: Part) -> None:
        """Start one more."""
        self._running.append(_Running(part, self._guard, self._passed_on))

    def report(self, line: str) -> None:
        """Write a line of our own to standard error, as those of the parts."""
        self._passed_on.write(f"{line}\n".encode())

    def wait(
        self, stop: threading.Event, until: Callable[[], bool] = lambda: False
    ) -> Ended | None:
        """Wait until ``stop`` is set, something is true, or a part ends, which is returned."""
        while not stop.is_set() and not until():
            for one in self._running:
                if one.process.poll() is not None:
                    self._passed_on.begin_end()
                    return one.ended()
            stop.wait(_TICK_S)
        return None

    def __enter__(self) -> Self:
        """See the class."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Ask all to end, and wait; who takes too long is killed."""
        self._passed_on.begin_end()  # a part may wait for room to write, and would not end
        for outlives in (False, True):
            these = [one for one in self._running if one.part.outlives is outlives]
            for one in these:
                one.process.terminate()
            for one in these:
                if one.killed():
                    self.report(f"littoral up: {one.part.name} did not end and is killed")
        self._guard.close()


class _Running:
    def __init__(self, part: Part, guard: ChildProcessGuard, passed_on: PassedOn) -> None:
        self.part = part
        self._passed_on = passed_on
        self._last_line = ""
        self.process = subprocess.Popen(
            guard.command(part.command),
            pass_fds=guard.fds,
            stderr=subprocess.PIPE,
            start_new_session=part.outlives,
        )
        assert self.process.stderr is not None
        self._reader = threading.Thread(
            target=self._pass_on, args=(self.process.stderr,), daemon=True
        )
        self._reader.start()

    def _pass_on(self, errors: IO[bytes]) -> None:
        for line in errors:
            self._passed_on.write(line)
            self._last_line = line.decode(errors="replace").strip() or self._last_line

    def ended(self) -> Ended:
        self._reader.join(PATIENCE_S)
        return Ended(self.part.name, self.process.returncode, self._last_line)

    def killed(self) -> bool:
        """Wait for its end; whether it took too long and had to be killed."""
        try:
            self.process.wait(PATIENCE_S)
            late = False
        except subprocess.TimeoutExpired:
            late = True
            self.process.kill()
            self.process.wait()
        self._reader.join(PATIENCE_S)
        return late


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
