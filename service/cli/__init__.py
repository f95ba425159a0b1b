"""The command ``littoral``; a command's module is imported only when it is called."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence
from typing import Final, NamedTuple, NoReturn

import click

from service.app.command_line import log_faults_of_threads, run_command
from service.version import VERSION


class Entry(NamedTuple):
    """Where a command is and what it does.

    Attributes:
        module: below ``service.cli``; has it as ``command``.
        short_help: the first line of its help.
    """

    module: str
    short_help: str


COMMANDS: Final[dict[str, Entry]] = {
    "absence": Entry("setup.absence", "Plan, list and end absences of the tank keeper."),
    "advice": Entry("questions.advice", "List recommendations, most urgent first, or mark one."),
    "audit": Entry("access.audit", "List who wrote what when, newest first."),
    "backup": Entry("storage.backup", "Back up registry, pictures and store into one file."),
    "calibration": Entry(
        "sensors.calibration", "List the calibrations of a tank's sensors, or undo one."
    ),
    "check": Entry("processes.check", "Check configuration, store, registry and access."),
    "co2": Entry("questions.co2", "Compute dissolved CO2 from pH, KH and temperature."),
    "copy": Entry("storage.copy_store", "Copy readings between two stores and compare them."),
    "demo": Entry("processes.demo", "Run three invented tanks with simulated sensors."),
    "export": Entry("storage.export", "Export a tank's readings as CSV, line protocol or Parquet."),
    "import": Entry("storage.import_csv", "Import readings from a CSV file."),
    "ingest": Entry("processes.ingest", "Store readings from the MQTT broker, until stopped."),
    "init": Entry(
        "processes.init", "Write a configuration file with every key and what it is for."
    ),
    "integration": Entry("setup.integration", "Empty topics of integrations that were removed."),
    "key": Entry("access.key", "Replace the key that signs cookies and forms of the pages."),
    "log": Entry("log.command", "Log what was done to a tank or seen in it, or list what was."),
    "nutrients": Entry("questions.nutrients", "Estimate NO3, PO4, K and Fe of a tank."),
    "observations": Entry(
        "questions.observations", "List what was seen in a tank, on a scale of 0 to 5."
    ),
    "openapi": Entry("processes.openapi", "Print the OpenAPI document of the API."),
    "recalibrate": Entry(
        "storage.recalibrate", "Apply the calibrations in the log to stored readings."
    ),
    "restore": Entry("storage.restore", "Restore registry, pictures and store from a backup."),
    "route": Entry("sensors.route", "List, make and delete routes from topics to tanks."),
    "serve": Entry("processes.serve", "Serve API and pages and publish advice, until stopped."),
    "session": Entry("access.session", "List and end sessions of the pages."),
    "share": Entry("access.share", "Make, list and revoke links to a handover sheet."),
    "status": Entry("questions.status.command", "Report whether a tank, or each, is in order."),
    "store": Entry("storage.store", "Check, prune and rebuild the SQLite store."),
    "tank": Entry("setup.tank", "Make, show, change and delete tanks."),
    "token": Entry("access.token", "Create, list and revoke access tokens."),
    "trial": Entry("setup.trial", "Try a change, and see by the tank's own days what it did."),
    "up": Entry("processes.up", "Run ingest and serve side by side, until stopped."),
    "watch": Entry("questions.watch", "Show tanks and what changes, as it changes."),
    "what-if": Entry("questions.what_if", "Predict a settled day with other settings."),
}


class LazyGroup(click.Group):
    """A group that imports a command's module only when the command is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All commands, sorted."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name, imported now."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"{__name__}.{COMMANDS[cmd_name].module}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands with their short help, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name].short_help) for name in sorted(COMMANDS)])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, message="littoral %(version)s")
def littoral() -> None:
    """Watches planted freshwater tanks and says what to do next.

    Littoral advises people; it is no safety device.
    """


def run(arguments: Sequence[str]) -> int:
    """Run the command line; returns the exit code.

    Args:
        arguments: without the program's name.
    """
    return run_command(littoral, arguments, "littoral")


def main() -> NoReturn:
    """Entry point of the installed command."""
    # Before a command imports numpy, whose library of linear algebra would start a thread for each
    # processor: matrices here are small, the threads take a third of the time of that import, and
    # a forecast of temperature four times its processor time on two busy cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    log_faults_of_threads()
    sys.exit(run(sys.argv[1:]))
