"""Child processes of the demo: started in order, watched, stopped in the reverse order."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

from service.app.child_process_guard import PATIENCE_S, ChildProcessGuard
from service.config.load import ENV_PREFIX
from service.errors import LittoralError

POLL_S = 0.05
TAIL_LINES = 15


class ChildError(LittoralError):
    """A child process did not start or ended by itself."""


class Child:
    """One child process with a log file.

    It is in a process group of its own, so that Ctrl-C reaches the demo alone, which then stops
    its children in order. Should the demo be killed, the child ends too.
    """

    def __init__(self, name: str, command: Sequence[str], folder: Path) -> None:
        self.name = name
        self.log = folder / f"{name}.log"
        self._command = list(command)
        self._guard = ChildProcessGuard()
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int | None:
        """Process id, once started."""
        return None if self._process is None else self._process.pid

    def start(self) -> None:
        """Start it, without the variables that would override its configuration."""
        environ = {
            name: value
            for name, value in os.environ.items()
            if not (name.startswith(ENV_PREFIX) and "__" in name)
        }
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                self._guard.command(self._command),
                pass_fds=self._guard.fds,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=environ,
                start_new_session=True,
            )

    def check(self) -> None:
        """Raise if it is not running.

        Raises:
            ChildError: with the end of its log.
        """
        code = None if self._process is None else self._process.poll()
        if self._process is None or code is not None:
            tail = self.log.read_text(errors="replace").splitlines()[-TAIL_LINES:]
            output = "\n".join(tail) or "(no output)"
            raise ChildError(
                f"{self.name} ended with exit code {code}; the end of its log:\n{output}"
            )

    def wait_for_port(self, host: str, port: int, timeout_s: float) -> None:
        """Wait until something listens on a port.

        Raises:
            ChildError: it ended, or took longer.
        """
        end = time.monotonic() + timeout_s
        while time.monotonic() < end:
            self.check()
            try:
                with socket.create_connection((host, port), timeout=1.0):
                    return
            except OSError:
                time.sleep(POLL_S)
        raise ChildError(f"{self.name} did not listen on port {port} within {timeout_s:g} s")

    def stop(self) -> bool:
        """Ask it to end and wait; True if it ended when asked, False if it had to be killed."""
        process = self._process
        if process is None:
            return True
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            return False
        finally:
            self._guard.close()
        return True


class Children:
    """The children of one run."""

    def __init__(self) -> None:
        self._running: list[Child] = []

    def start(self, child: Child) -> Child:
        """Start a child and remember to stop it."""
        child.start()
        self._running.append(child)
        return child

    def check(self) -> None:
        """Raise if one of them has ended.

        Raises:
            ChildError: which, and the end of its log.
        """
        for child in self._running:
            child.check()

    def stop(self) -> list[str]:
        """Stop all, last started first; names of those that had to be killed."""
        killed = []
        while self._running:
            child = self._running.pop()
            if not child.stop():
                killed.append(child.name)
        return killed


def port_is_free(host: str, port: int) -> bool:
    """Whether a port can be listened on."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def free_ports(host: str) -> tuple[int, int]:
    """Two ports that nobody listens on now, chosen by the system."""
    with socket.socket() as one, socket.socket() as other:
        one.bind((host, 0))
        other.bind((host, 0))
        return one.getsockname()[1], other.getsockname()[1]
