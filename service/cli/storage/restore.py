"""``littoral restore``: registry, pictures and store from a backup, into empty places."""

from __future__ import annotations

from pathlib import Path

import click

from service.app.configuration import configuration
from service.backup.archive import as_document
from service.backup.restore import restore
from service.cli.options.config_option import config_option
from service.cli.options.transfer_options import progress_bar
from service.cli.output.display import as_json_text, json_option
from service.times import format_moment


@click.command("restore")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@json_option
@config_option
def command(file: Path, as_json: bool, config_file: Path | None) -> None:
    """Restore registry, pictures and store from a backup.

    They go where the configuration says; where one is there already, nothing is done. Everybody
    has to log in again, and a token that was revoked after the backup is valid again.
    """
    with progress_bar("restoring") as progress:
        done = restore(configuration(config_file), file, on_progress=progress)
    if as_json:
        counts = {"tanks": done.tanks, "series": done.series}
        click.echo(as_json_text(as_document(done.manifest) | counts))
        return
    click.echo(
        f"{done.tanks} tanks and {done.series} series restored as of "
        f"{format_moment(done.manifest.made)}"
    )
