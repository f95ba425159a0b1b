"""``littoral copy``: readings from one store to another, and the proof that they are the same."""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import asdict

import click

from service.cli.options.transfer_options import end_option, progress_bar, start_option
from service.cli.output.display import as_json_text, json_option
from service.errors import NotFoundError
from service.store import SeriesKey, Store, open_store
from service.store.transfer.copy import Verified, copy, verify


@click.command("copy")
@click.option("--from", "source_url", required=True, metavar="URL", help="Store to read.")
@click.option("--to", "target_url", required=True, metavar="URL", help="Store to write.")
@click.option("--tank", "tanks", multiple=True, help="Only this tank; several are fine.")
@click.option("--verify-only", is_flag=True, help="Compare, copy nothing.")
@start_option
@end_option
@json_option
def command(
    source_url: str,
    target_url: str,
    tanks: tuple[str, ...],
    verify_only: bool,
    start_us: int | None,
    end_us: int | None,
    as_json: bool,
) -> int:
    """Copy readings between two stores and compare them.

    Counts and checksums of each series are compared. Copying again is harmless. Exit code 1: a
    series differs.
    """
    with closing(open_store(source_url, create=False)) as source:
        keys = _chosen(source, tanks)
        copied = 0
        if not verify_only:
            # Beside the start of the service this alone makes a store: copies need a place.
            with closing(open_store(target_url)) as target, progress_bar("copying") as progress:
                copied = copy(
                    source, target, keys, start_us=start_us, end_us=end_us, on_progress=progress
                )
                wait_s = target.visible_after_s
            if not as_json:
                click.echo(f"{copied} readings of {len(keys)} series copied")
            time.sleep(wait_s)
        found = []
        with (
            closing(open_store(target_url, create=False)) as target,
            progress_bar("comparing") as progress,
        ):
            for number, key in enumerate(keys):
                progress(number / len(keys))
                found.append(verify(source, target, key, start_us=start_us, end_us=end_us))
                if not as_json:
                    click.echo(_line(found[-1]))
    differ = sum(not one.same for one in found)
    if as_json:
        series = [{"same": one.same} | asdict(one) for one in found]
        click.echo(as_json_text({"copied": copied, "differ": differ, "series": series}))
    elif differ:
        click.echo(f"{differ} of {len(keys)} series differ")
    return 1 if differ else 0


def _chosen(source: Store, tanks: tuple[str, ...]) -> list[SeriesKey]:
    """The series of some tanks, or of all.

    Raises:
        NotFoundError: there are none, or none of one of the tanks.
    """
    found = {tank: source.series(tank) for tank in tanks or (None,)}
    empty = [tank for tank, series in found.items() if not series]
    if empty:
        of = "" if empty[0] is None else f" of tank {empty[0]!r}"
        raise NotFoundError(f"the store to read has no such readings{of}")
    return sorted({info.key for series in found.values() for info in series})


def _line(found: Verified) -> str:
    name = f"{found.key.tank}/{found.key.quantity}/{found.key.sensor}"
    if found.same:
        exact = "" if found.allowed_error == 0 else f", values within {found.largest_error:.1e}"
        return f"same    {name}: {found.count} readings, sha256 {found.checksum[:16]}{exact}"
    return (
        f"differs {name}: {found.count} and {found.other_count} readings, "
        f"sha256 {found.checksum[:16]} and {found.other_checksum[:16]}, "
        f"largest relative error {found.largest_error:.1e} (allowed {found.allowed_error:.0e})"
    )
