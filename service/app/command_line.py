"""Runs a command of click: errors are one line on stderr, never a traceback.

Exit codes: 0 fine; 1 the answer is "not in order"; 2 usage or bad input; 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Sequence
from typing import Final

import click

from service.errors import LittoralError

_LONGEST: Final = 1500
"""Characters of a refusal, which repeats what was given."""


def run_command(command: click.Command, arguments: Sequence[str], name: str) -> int:
    """Run a command; returns the exit code.

    Args:
        arguments: without the program's name.
        name: of the program, as messages show it.
    """
    logging.basicConfig(
        level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )
    logging.getLogger("littoral").setLevel(logging.INFO)
    for argument in arguments:
        if not argument.isascii() and _is_torn(argument):
            return _refuse(f"{name}: an argument is {argument!r:.60}; allowed: text in UTF-8")
    try:
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
    return code if isinstance(code, int) else 0


def _is_torn(argument: str) -> bool:
    """Whether a text has bytes that were no characters."""
    try:
        argument.encode()
    except UnicodeEncodeError:
        return True
    return False


def _refuse(message: str, code: int = 2) -> int:
    line = " ".join(message.split())
    click.echo(line if len(line) <= _LONGEST else line[: _LONGEST - 1] + "…", err=True)
    return code
