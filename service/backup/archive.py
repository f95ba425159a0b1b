"""The archive of a backup: a tar file with a manifest, then the two databases it describes."""

from __future__ import annotations

import hashlib
import io
import json
import os
import tarfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Final

from service.errors import LittoralError
from service.private_files import FILE_MODE, create_file
from service.times import format_moment, parse_moment
from service.version import package_version

FORMAT: Final = 1
"""Of the archive; another one is refused."""

REGISTRY: Final = "registry.db"
STORE: Final = "store.db"
_MANIFEST: Final = "manifest.json"
_MANIFEST_BYTES: Final = 65_536
_PIECE_BYTES: Final = 1024 * 1024


class BackupRefusedError(LittoralError):
    """A file is no backup, is damaged or of another version, or must not be overwritten."""


@dataclass(frozen=True, slots=True)
class Member:
    """One database in the archive.

    Attributes:
        bytes, sha256: of the file.
        revision: of its schema, as it was written.
    """

    bytes: int
    sha256: str
    revision: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What an archive says of itself.

    Attributes:
        version: of the program that wrote it.
        made: when the backup began, UTC.
        spooled: readings that waited in the ingester's spool, which is not in the archive.
        members: by file name.
    """

    version: str
    made: datetime
    spooled: int
    members: Mapping[str, Member]


def write_archive(
    to: Path, made: datetime, spooled: int, databases: Mapping[str, tuple[Path, str]]
) -> Manifest:
    """Write a new archive, and wait until the disk has it.

    Args:
        made, spooled: as of ``Manifest``.
        databases: file name in the archive -> where it is, and the revision of its schema.

    Raises:
        OSError: the disk is full or cannot be written.
    """
    members = {
        name: Member(path.stat().st_size, _sha256(path), revision)
        for name, (path, revision) in databases.items()
    }
    manifest = Manifest(package_version(), made, spooled, members)
    create_file(to)
    with to.open("wb") as file:
        with tarfile.open(fileobj=file, mode="w") as tar:
            text = json.dumps(as_document(manifest), indent=2).encode()
            tar.addfile(_info(_MANIFEST, len(text), made), io.BytesIO(text))
            for name, (path, _) in databases.items():
                with path.open("rb") as data:
                    tar.addfile(_info(name, members[name].bytes, made), data)
        file.flush()
        os.fsync(file.fileno())
    return manifest


def as_document(manifest: Manifest) -> dict[str, Any]:
    """The manifest as JSON."""
    return {
        "format": FORMAT,
        "version": manifest.version,
        "made": format_moment(manifest.made),
        "spooled": manifest.spooled,
        "members": {name: asdict(member) for name, member in manifest.members.items()},
    }


def _info(name: str, size: int, made: datetime) -> tarfile.TarInfo:
    info = tarfile.TarInfo(name)
    info.size, info.mode, info.mtime = size, FILE_MODE, int(made.timestamp())
    return info


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class Archive:
    """An archive that is read. Only the members that it must have are looked at, by their name."""

    def __init__(self, path: Path, tar: tarfile.TarFile) -> None:
        """Read the manifest.

        Raises:
            BackupRefusedError: it is no backup of a format that is known.
        """
        self._path, self._tar = path, tar
        self.manifest = self._read_manifest()

    def extract(self, name: str, to: Path) -> None:
        """Write one database into a new file, and compare it with the manifest.

        Raises:
            BackupRefusedError: it is not what the manifest says.
            OSError: the disk is full or cannot be written.
        """
        expected = self.manifest.members[name]
        digest, size = hashlib.sha256(), 0
        create_file(to)
        with to.open("wb") as file, self._member(name) as data:
            while size <= expected.bytes and (piece := data.read(_PIECE_BYTES)):
                digest.update(piece)
                size += file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        if (size, digest.hexdigest()) != (expected.bytes, expected.sha256):
            raise BackupRefusedError(f"{self._path}: {name} is not what was written; it is damaged")

    def _member(self, name: str) -> IO[bytes]:
        try:
            found = self._tar.extractfile(name)
        except KeyError:
            found = None
        if found is None:
            raise BackupRefusedError(f"{self._path}: has no {name}; it is no backup, or incomplete")
        return found

    def _read_manifest(self) -> Manifest:
        with self._member(_MANIFEST) as data:
            text = data.read(_MANIFEST_BYTES)
        try:
            document = json.loads(text)
            found = document["format"]
            if found == FORMAT:
                members = {name: Member(**one) for name, one in document["members"].items()}
                if set(members) == {REGISTRY, STORE}:
                    made = parse_moment(document["made"])
                    spooled = int(document["spooled"])
                    return Manifest(str(document["version"]), made, spooled, members)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise BackupRefusedError(f"{self._path}: its {_MANIFEST} cannot be read") from error
        raise BackupRefusedError(
            f"{self._path}: is a backup of format {found!r}; this version knows {FORMAT}: update "
            "Littoral"
        )


@contextmanager
def opened_archive(path: Path) -> Iterator[Archive]:
    """An archive, open.

    Raises:
        BackupRefusedError: it is not there, no archive, or damaged.
    """
    try:
        with tarfile.open(path, mode="r:") as tar:
            yield Archive(path, tar)
    except (tarfile.TarError, EOFError) as error:
        raise BackupRefusedError(f"{path}: is no backup, or damaged ({error})") from error
    except FileNotFoundError as error:
        if error.filename != str(path):
            raise
        raise BackupRefusedError(f"{path}: is not there") from error
