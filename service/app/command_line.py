"""Runs a command of click: errors are one line on stderr, never a traceback.

Exit codes: 0 fine; 1 the answer is "not in order"; 2 usage or bad input; 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Sequence

import click

from service.errors import LittoralError
from service.log_format import LineFormatter, printable
from service.private_files import owner_only
from service.urls import without_credentials


def run_command(command: click.Command, arguments: Sequence[str], name: str) -> int:
    """Run a command; returns the exit code. Its files are its user's alone, whatever the umask.

    Args:
        arguments: without the program's name.
        name: of the program, as messages show it.
    """
    handler = logging.StreamHandler()
    handler.setFormatter(LineFormatter())
    logging.basicConfig(level=logging.WARNING, handlers=[handler])
    logging.getLogger("littoral").setLevel(logging.INFO)
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
    return code if isinstance(code, int) else 0


def _refuse(message: str, code: int = 2) -> int:
    click.echo(printable(" ".join(without_credentials(message).split())), err=True)
    return code
