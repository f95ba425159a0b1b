"""The archive of a backup: a tar file with a manifest, then the databases and the pictures."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import tarfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Final

from service.backup.pictures import StagedPictures
from service.backup.refused import BackupRefusedError
from service.pictures.folder import PictureFolder
from service.private_files import FILE_MODE, create_file
from service.times import format_moment, parse_moment
from service.version import package_version

FORMAT: Final = 1
"""Of the archive; another one is refused."""

REGISTRY: Final = "registry.db"
STORE: Final = "store.db"
_MANIFEST: Final = "manifest.json"
_MANIFEST_BYTES: Final = 65_536
PICTURES: Final = "pictures/"
"""Begins the names of pictures in the archive."""

_PIECE_BYTES: Final = 1024 * 1024


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
class PictureCount:
    """Pictures in the archive; which they are, and their SHA-256, is in its registry.

    Attributes:
        files, bytes: in the archive, a picture and its thumbnail being two files.
        lost: files that the registry names, and that were lost or damaged before.
    """

    files: int = 0
    bytes: int = 0
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Manifest:
    """What an archive says of itself.

    Attributes:
        version: of the program that wrote it.
        made: when the backup began, UTC.
        spooled: readings that waited in the ingester's spool, which is not in the archive.
        members: the databases by file name.
        pictures: how many there are.
    """

    version: str
    made: datetime
    spooled: int
    members: Mapping[str, Member]
    pictures: PictureCount = PictureCount()


def write_archive(
    to: Path,
    made: datetime,
    spooled: int,
    databases: Mapping[str, tuple[Path, str]],
    pictures: StagedPictures,
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
    sizes = {name: path.stat().st_size for name, path in pictures.files.items()}
    count = PictureCount(len(sizes), sum(sizes.values()), pictures.lost)
    manifest = Manifest(package_version(), made, spooled, members, count)
    create_file(to)
    with to.open("wb") as file:
        with tarfile.open(fileobj=file, mode="w") as tar:
            text = json.dumps(as_document(manifest), indent=2).encode()
            tar.addfile(_info(_MANIFEST, len(text), made), io.BytesIO(text))
            for name, (path, _) in databases.items():
                with path.open("rb") as data:
                    tar.addfile(_info(name, members[name].bytes, made), data)
            for name, path in pictures.files.items():
                with path.open("rb") as data:
                    tar.addfile(_info(PICTURES + name, sizes[name], made), data)
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
        "pictures": asdict(manifest.pictures),
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

    def extract_pictures(self, to: Path) -> None:
        """Write all pictures into a folder; names that are none of a picture are passed over.

        Raises:
            BackupRefusedError: there are not as many as the manifest says.
            OSError: the disk is full or cannot be written.
        """
        found = PictureFolder(to)
        files = size = 0
        for info in self._tar:
            name = info.name.removeprefix(PICTURES)
            if name == info.name or not info.isreg() or not found.is_file_name(name):
                continue
            data = self._tar.extractfile(info)
            assert data is not None
            create_file(to / name)
            with data, (to / name).open("wb") as file:
                shutil.copyfileobj(data, file, _PIECE_BYTES)
                file.flush()
                os.fsync(file.fileno())
            files, size = files + 1, size + info.size
        expected = self.manifest.pictures
        if (files, size) != (expected.files, expected.bytes):
            raise BackupRefusedError(
                f"{self._path}: has {files} files of pictures in place of {expected.files}; it is "
                "damaged"
            )

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
                    pictures = PictureCount(**document.get("pictures", {}))
                    return Manifest(str(document["version"]), made, spooled, members, pictures)
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
