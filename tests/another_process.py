"""Another process with things of its own open, which does what it is told line by line."""

from __future__ import annotations

import subprocess
import sys

_LOOP = """
for _line in sys.stdin:
    exec(_line)
    print("done", flush=True)
"""


class AnotherProcess:
    """Python that has run a preparation and waits for lines."""

    def __init__(self, preparation: str, *arguments: str) -> None:
        """Start it.

        Args:
            preparation: what to run first; ``sys.argv[1:]`` are the arguments.
        """
        self._process = subprocess.Popen(
            [sys.executable, "-c", f"import sys\n{preparation}{_LOOP}", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def does(self, line: str) -> None:
        """Let it run one line, and wait until it has."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        assert self._process.stdout.readline() == "done\n"

    def end(self) -> None:
        """Let it end by itself."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        assert self._process.wait(60) == 0
