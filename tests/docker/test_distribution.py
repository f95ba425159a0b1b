"""The source archive and the wheel: complete, and installed in an empty environment."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("service/", "ingest/", "demo/")
#: Of the checkout, for people who have it: no part of a package.
LEFT_OUT = {"demo/run.sh"}


def run(*command: str | Path, cwd: Path, **environment: str) -> str:
    done = subprocess.run(
        [str(word) for word in command],
        cwd=cwd,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=240,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


def tracked() -> set[str]:
    """The files of the packages in the checkout."""
    listed = run("git", "ls-files", "-co", "--exclude-standard", "--", *PACKAGES, cwd=ROOT)
    return {one for one in listed.splitlines() if (ROOT / one).is_file()} - LEFT_OUT


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Path]]:
    """A source archive of what is here, and the wheel that is made of that archive alone."""
    folder = tmp_path_factory.mktemp("built")
    copy = folder / "copy"
    more = {"pyproject.toml", "README.md", "docs/LICENSE"}
    for name in tracked() | more:
        (copy / name).parent.mkdir(parents=True, exist_ok=True)
        (copy / name).write_bytes((ROOT / name).read_bytes())
    make = (
        "import sys; from setuptools import build_meta as b; print(getattr(b, sys.argv[1])('{}'))"
    )
    program = make.format(folder)
    run(sys.executable, "-c", program, "build_sdist", cwd=copy)
    (sdist,) = folder.glob("*.tar.gz")
    shutil.unpack_archive(sdist, folder / "unpacked")  # Python 3.11.2 knows no filter
    (source,) = (folder / "unpacked").iterdir()
    run(sys.executable, "-c", program, "build_wheel", cwd=source)
    (wheel,) = folder.glob("*.whl")
    yield sdist, wheel


def test_every_file_of_the_packages_is_in_both(built: tuple[Path, Path]) -> None:
    """Templates, styles, migrations, tables of species: nothing is missing at its first use."""
    sdist, wheel = built
    with zipfile.ZipFile(wheel) as archive:
        inside = set(archive.namelist())
    moved = {
        name.removeprefix("service/client/")
        if name.startswith("service/client/littoral/")
        else name
        for name in tracked()
    }
    assert moved - inside == set()
    with tarfile.open(sdist) as archive:
        sources = {one.partition("/")[2] for one in archive.getnames()}
    assert tracked() - sources == set()
    strangers = {one.split("/")[0] for one in inside} - {"service", "ingest", "demo", "littoral"}
    assert all(one.endswith(".dist-info") for one in strangers), strangers


def test_a_script_imports_the_client_from_the_wheel(
    built: tuple[Path, Path], tmp_path: Path
) -> None:
    sdist, wheel = built
    script = "from littoral import Client, ProblemError; import littoral; print(littoral.__file__)"
    found = run(sys.executable, "-c", script, cwd=tmp_path, PYTHONPATH=str(wheel))
    assert Path(found.strip()) == wheel / "littoral" / "__init__.py"
    with tarfile.open(sdist) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    assert {"service/client/littoral/__init__.py", "service/client/littoral/py.typed"} <= names


@pytest.mark.slow
def test_a_wheel_runs_from_an_empty_environment(built: tuple[Path, Path], tmp_path: Path) -> None:
    """With packages lent by this environment; tests/fresh.sh fetches them in a bare Debian."""
    _, wheel = built
    place = tmp_path / "venv"
    run(sys.executable, "-m", "venv", "--without-pip", place, cwd=tmp_path)
    python = place / "bin" / "python"
    run(sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps",
        "--no-index", "--no-compile", wheel, cwd=tmp_path)  # fmt: skip
    site = Path(
        run(python, "-c", "import site; print(site.getsitepackages()[0])", cwd=tmp_path).strip()
    )
    (lent,) = (one for one in map(Path, sys.path) if one.name == "site-packages")
    (site / "lent.pth").write_text(f"{lent}\n")
    littoral = place / "bin" / "littoral"
    assert run(littoral, "--version", cwd=tmp_path).startswith("littoral 0.")
    for package in ("service", "ingest", "demo", "littoral"):
        where = run(python, "-c", f"import {package}; print({package}.__file__)", cwd=tmp_path)
        assert Path(where).is_relative_to(site)
    run(littoral, "init", cwd=tmp_path)
    assert "in order" in run(
        littoral, "check", "--create", "--config", "littoral.toml", cwd=tmp_path
    )
    assert '"openapi": "3.1' in run(littoral, "openapi", cwd=tmp_path)
