"""The command ``littoral``: errors are one line on stderr, never a traceback.

Exit codes: 0 fine; 1 the answer is "not in order"; 2 usage or bad input.
"""

from __future__ import annotations

import importlib
import logging
import os
import sys
from typing import Final, NoReturn

import click

from service.errors import LittoralError

#: Command -> the module of ``service.cli`` that has it; imported only when it is called.
_COMMANDS: Final[dict[str, str]] = {
    "advice": "advice",
    "co2": "co2",
    "copy": "copy_store",
    "demo": "demo",
    "export": "export",
    "import": "import_csv",
    "ingest": "ingest",
    "log": "log.command",
    "openapi": "openapi",
    "recalibrate": "recalibrate",
    "serve": "serve",
    "share": "share",
    "status": "status.command",
    "store": "store",
    "token": "token",
    "up": "up",
    "watch": "watch",
}


class LazyGroup(click.Group):
    """A group that imports a command's module only when the command is called or described."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All commands, sorted."""
        return sorted(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name, imported now."""
        if cmd_name not in _COMMANDS:
            return None
        module = importlib.import_module(f"service.cli.{_COMMANDS[cmd_name]}")
        command: click.Command = module.command
        return command


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
def littoral() -> None:
    """Watches planted freshwater tanks and says what to do next.

    Littoral advises people; it is no safety device.
    """


def run(arguments: list[str]) -> int:
    """Run the command line; returns the exit code.

    Args:
        arguments: without the program's name.
    """
    logging.basicConfig(
        level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )
    logging.getLogger("littoral").setLevel(logging.INFO)
    try:
        code = littoral.main(args=arguments, prog_name="littoral", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return 2
    except click.UsageError as error:
        path = error.ctx.command_path if error.ctx else "littoral"
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
    click.echo(" ".join(message.split()), err=True)
    return code


def main() -> NoReturn:
    """Entry point of the installed command."""
    sys.exit(run(sys.argv[1:]))
