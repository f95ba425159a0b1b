"""``littoral demo``: the main job on invented tanks with simulated sensors."""

from __future__ import annotations

import os
import sys

import click


@click.command("demo", context_settings={"ignore_unknown_options": True, "help_option_names": []})
@click.argument("arguments", nargs=-1, type=click.UNPROCESSED)
def command(arguments: tuple[str, ...]) -> None:
    """Run three invented tanks with simulated sensors."""
    # The demo is a program of its own, which uses the service as any other; it takes over here.
    os.execv(sys.executable, [sys.executable, "-m", "demo", *arguments])
