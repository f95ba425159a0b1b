"""The folder of one run: databases, configuration, logs."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from demo.options import DemoOptions
from service.errors import InvalidInputError
from service.private_files import make_folder

MARK = ".littoral-demo"


@contextmanager
def data_folder(options: DemoOptions) -> Iterator[Path]:
    """A fresh folder; a temporary one is removed at the end unless it is to be kept.

    Raises:
        InvalidInputError: the folder asked for holds something that is not a demo's.
    """
    if options.data is not None:
        folder = options.data.absolute()
        _clear(folder)
        yield folder
        return
    folder = Path(tempfile.mkdtemp(prefix="littoral-demo-"))
    try:
        (folder / MARK).touch()
        yield folder
    finally:
        if not options.keep:
            shutil.rmtree(folder)


def _clear(folder: Path) -> None:
    """Make the folder, or empty it if an earlier demo filled it."""
    if folder.exists() and not folder.is_dir():
        raise InvalidInputError.of_field("--data", str(folder), "a folder")
    held = list(folder.iterdir()) if folder.exists() else []
    if held and not (folder / MARK).exists():
        allowed = "an empty folder, a new one, or one that an earlier demo filled"
        raise InvalidInputError.of_field("--data", str(folder), allowed)
    for item in held:
        shutil.rmtree(item) if item.is_dir() else item.unlink()
    try:
        make_folder(folder)
        (folder / MARK).touch()
    except OSError as error:
        allowed = f"a folder that can be written ({error.strerror})"
        raise InvalidInputError.of_field("--data", str(folder), allowed) from error
