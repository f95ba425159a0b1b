"""Which process this is, so that another one on the same machine can see that it has ended.

Linux only; elsewhere nothing is known, and nothing counts as ended.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

_BOOT: Final = Path("/proc/sys/kernel/random/boot_id")
_START_FIELD: Final = 19
"""Of the fields of /proc/PID/stat after the command's name: starttime, field 22 of proc(5)."""


def this_process() -> str:
    """Boot, namespace of process ids, process id and start time; "" where that is not known."""
    try:
        place, pid = _place(), os.getpid()
        return f"{place} {pid} {_started(pid)}"
    except (OSError, IndexError):
        return ""


def has_ended(process: str) -> bool:
    """Whether a process, as ``this_process`` said there, is known to have ended."""
    try:
        place, pid, started = process.rsplit(" ", 2)
        if place != _place():
            return False  # another machine, container or start of this one: not known
        return _started(int(pid)) != started
    except FileNotFoundError:
        return True
    except (OSError, ValueError, IndexError):
        return False


def _place() -> str:
    return f"{_BOOT.read_text().strip()} {Path('/proc/self/ns/pid').readlink()}"


def _started(pid: int) -> str:
    text = Path(f"/proc/{pid}/stat").read_text()
    fields = text[text.rindex(")") + 2 :].split()
    if fields[0] in "ZX":
        raise FileNotFoundError(pid)  # ended, and its parent has not asked yet
    return fields[_START_FIELD]
