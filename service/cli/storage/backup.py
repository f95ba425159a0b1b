"""``littoral backup``: registry, pictures and store in one file."""

from __future__ import annotations

from pathlib import Path

import click

from service.app.configuration import configuration
from service.backup.archive import as_document
from service.backup.backup import back_up
from service.cli.options.config_option import config_option
from service.cli.options.transfer_options import progress_bar
from service.cli.output.display import as_json_text, json_option


@click.command("backup")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@json_option
@config_option
def command(file: Path, as_json: bool, config_file: Path | None) -> None:
    """Back up registry, pictures and store into one file.

    FILE must not exist; the service may run meanwhile. All that was acknowledged before is in it,
    except readings that still wait in the spool.
    """
    config = configuration(config_file)
    with progress_bar("backing up") as progress:
        manifest = back_up(config, file, on_progress=progress)
    if manifest.spooled:
        click.echo(
            f"{manifest.spooled} readings wait in the ingester's spool and are not in it", err=True
        )
    if manifest.pictures.lost:
        click.echo(
            f"{manifest.pictures.lost} files of pictures were lost or damaged before, and are not "
            "in it",
            err=True,
        )
    if as_json:
        click.echo(as_json_text(as_document(manifest)))
        return
    click.echo(f"{file}: {file.stat().st_size} bytes, version {manifest.version}")
