"""``littoral copy``: readings from one store to another, and the proof that they are the same."""

from __future__ import annotations

import time

import click

from service.cli.transfer_parts import end_option, progress_bar, start_option
from service.errors import NotFoundError
from service.store import open_store
from service.store.transfer_copy import Verified, copy, verify


@click.command("copy")
@click.option("--from", "source_url", required=True, metavar="URL", help="Store to read.")
@click.option("--to", "target_url", required=True, metavar="URL", help="Store to write.")
@click.option("--tank", "tanks", multiple=True, help="Only this tank; several are fine.")
@click.option("--verify-only", is_flag=True, help="Compare, copy nothing.")
@start_option
@end_option
def command(
    source_url: str,
    target_url: str,
    tanks: tuple[str, ...],
    verify_only: bool,
    start_us: int | None,
    end_us: int | None,
) -> int:
    """Copy readings between two stores, then compare counts and checksums of each series.

    Copying again is harmless. Exit code 1: a series differs.
    """
    source = open_store(source_url)
    try:
        chosen = tanks or (None,)
        keys = sorted({info.key for tank in chosen for info in source.series(tank)})
        if not keys:
            raise NotFoundError("the store to read has no such readings")
        if not verify_only:
            target = open_store(target_url)
            try:
                with progress_bar("copying") as told:
                    count = copy(
                        source, target, keys, start_us=start_us, end_us=end_us, on_progress=told
                    )
                wait_s = target.visible_after_s
            finally:
                target.close()
            click.echo(f"{count} readings of {len(keys)} series copied")
            time.sleep(wait_s)
        target = open_store(target_url)
        try:
            differ = 0
            with progress_bar("comparing") as told:
                for number, key in enumerate(keys):
                    told(number / len(keys))
                    found = verify(source, target, key, start_us=start_us, end_us=end_us)
                    differ += not found.same
                    click.echo(_line(found))
        finally:
            target.close()
    finally:
        source.close()
    if differ:
        click.echo(f"{differ} of {len(keys)} series differ")
        return 1
    return 0


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
