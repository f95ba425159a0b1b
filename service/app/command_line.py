"""Runs a command of click: errors are one line on stderr, never a traceback.

Exit codes: 0 fine; 1 the answer is "not in order"; 2 usage or bad input; 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import logging
import os
import sys
import threading
from collections.abc import Sequence
from typing import Final

import click

from service.errors import LittoralError
from service.log_format import LineFormatter, printable
from service.private_files import owner_only
from service.urls import without_credentials

_LONGEST: Final = 1500
"""Characters of a refusal, which repeats what was given."""

_log = logging.getLogger(__name__)


def run_command(command: click.Command, arguments: Sequence[str], name: str) -> int:
    """Run a command; returns the exit code. Its files are its user's alone, whatever the umask.

    A fault of the program is logged with its traceback, and ends it with 2.

    Args:
        arguments: without the program's name.
        name: of the program, as messages show it.
    """
    handler = logging.StreamHandler()
    handler.setFormatter(LineFormatter())
    logging.basicConfig(level=logging.WARNING, handlers=[handler])
    logging.getLogger("littoral").setLevel(logging.INFO)
    for argument in arguments:
        if not argument.isascii() and _is_torn(argument):
            return _refuse(f"{name}: an argument is {argument!r:.60}; allowed: text in UTF-8")
    try:
        with owner_only():
            code = command.main(args=list(arguments), prog_name=name, standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return 2
    except click.UsageError as error:
        path = error.ctx.command_path if error.ctx else name
        return _refuse(f"{path}: {error.format_message().rstrip('.')}. See {path} --help.")
    except click.ClickException as error:
        return _refuse(f"littoral: {error.format_message()}")
    except LittoralError as error:
        return _refuse(f"littoral: {error.detail}")
    except (click.Abort, KeyboardInterrupt):
        return _refuse("littoral: stopped", 130)
    except BrokenPipeError:
        # Nobody reads any more: let the flush at exit go nowhere instead of failing.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        return _refuse(f"littoral: {place}{error.strerror or error}")
    except Exception:  # noqa: BLE001 - Python would print it raw, with what URLs hold
        _log.exception("%s: a fault of this program", name)
        return 2
    return code if isinstance(code, int) else 0


def log_faults_of_threads() -> None:
    """What ends a thread is logged as everything else, in place of Python's own traceback."""

    def log(fault: threading.ExceptHookArgs) -> None:
        kind, value, where = fault.exc_type, fault.exc_value, fault.exc_traceback
        name = "a thread" if fault.thread is None else fault.thread.name
        if value is not None:
            _log.error("%s ended", name, exc_info=(kind, value, where))

    threading.excepthook = log


def _is_torn(argument: str) -> bool:
    """Whether a text has bytes that were no characters."""
    try:
        argument.encode()
    except UnicodeEncodeError:
        return True
    return False


def _refuse(message: str, code: int = 2) -> int:
    line = printable(" ".join(without_credentials(message).split()))
    click.echo(line if len(line) <= _LONGEST else line[: _LONGEST - 1] + "…", err=True)
    return code
