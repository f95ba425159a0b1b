"""A script writes ``from littoral import Client``, however Littoral was installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

import service.client

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = "from littoral import Client, ProblemError; import littoral; print(littoral.__file__)"


def where(folder: Path, **environment: str) -> Path:
    """Where a script in a folder of its own finds the package."""
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        cwd=folder,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return Path(done.stdout.strip())


def test_the_installed_package_is_the_client(tmp_path: Path) -> None:
    import littoral

    assert littoral.__all__ == service.client.__all__
    assert littoral.Client is service.client.Client
    assert where(tmp_path).name == "__init__.py"


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """What the package is built of, as committed."""
    folder = tmp_path / "source"
    command = ["git", "ls-files", "-z", "--", "service", "ingest", "demo", "pyproject.toml"]
    more = ["README.md", "docs/LICENSE"]
    listed = subprocess.run([*command, *more], cwd=ROOT, capture_output=True, text=True, check=True)
    for name in filter(None, listed.stdout.split("\0")):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, folder / name)
    return folder


def built(source: Path, kind: str) -> Path:
    """A wheel or an sdist of the source."""
    program = f"import setuptools.build_meta as b; print(b.build_{kind}('dist'))"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=source, capture_output=True, text=True, check=True
    )
    return source / "dist" / done.stdout.split()[-1]


def test_wheel_and_sdist_have_it(source: Path, tmp_path: Path) -> None:
    wheel = built(source, "wheel")
    found = where(tmp_path, PYTHONPATH=str(wheel))
    assert found == wheel / "littoral" / "__init__.py"
    with tarfile.open(built(source, "sdist")) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    assert {"service/client/littoral/__init__.py", "service/client/littoral/py.typed"} <= names


@pytest.mark.slow
def test_mypy_knows_its_types(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text("from littoral import Client\n\nwrong: int = Client().co2('riffle')\n")
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", str(script)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert 'expression has type "Co2", variable has type "int"' in done.stdout, done.stdout
    assert "Found 1 error" in done.stdout
