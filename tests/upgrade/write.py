"""Writes the registry, the store and the backup of this version, to be opened by later ones.

Run it once for each version, just before it is released, and commit what it writes:

    python -m tests.upgrade.write

What a released version wrote is never written anew: it is what users have.
"""

from __future__ import annotations

import gzip
import json
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from service.backup.backup import back_up
from service.version import VERSION
from tests.upgrade.known import answers, application, put_in

FIXTURES: Final = Path(__file__).with_name("fixtures")
FILES: Final = ("registry.db", "store.db", "backup.tar")


def write(to: Path) -> None:
    """Write one version's folder: three compressed files, and what was answered from them."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        with application(folder) as (one, client):
            secret = put_in(one, client)
            known = {"token": secret, "answers": answers(client, secret)}
            back_up(one.config, folder / "backup.tar")
        shutil.rmtree(to, ignore_errors=True)
        to.mkdir(parents=True)
        for file in FILES:
            packed = gzip.compress((folder / file).read_bytes(), 9, mtime=0)
            (to / f"{file}.gz").write_bytes(packed)
        text = json.dumps(known, ensure_ascii=False, indent=1)
        (to / "known.json.gz").write_bytes(gzip.compress(text.encode(), 9, mtime=0))


if __name__ == "__main__":
    write(FIXTURES / VERSION)
