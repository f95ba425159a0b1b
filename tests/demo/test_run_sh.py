"""``demo/run.sh`` on machines that lack something: one clear line, exit code 2."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """What the script needs of a clone."""
    for name in ("demo/run.sh", "docker/requirements.lock", "pyproject.toml"):
        target = tmp_path / "clone" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, target)
    return tmp_path / "clone"


def run(clone: Path, **environ: str) -> subprocess.CompletedProcess[str]:
    """Run the script from elsewhere, with no package index to be reached."""
    offline = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": "", "PIP_CONFIG_FILE": os.devnull}
    return subprocess.run(
        ["sh", str(clone / "demo/run.sh"), "--help"],
        cwd="/",
        env={**os.environ, **offline, **environ},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def broken_modules(folder: Path, *names: str) -> str:
    """A folder for PYTHONPATH in which the modules named cannot be imported."""
    for name in names:
        folder.mkdir(exist_ok=True)
        (folder / f"{name}.py").write_text(f"raise ImportError({name!r})\n")
    return str(folder)


def test_a_python_that_is_too_old_is_not_taken(clone: Path, tmp_path: Path) -> None:
    old = tmp_path / "python3"
    old.write_text("#!/bin/sh\nexit 1\n")
    old.chmod(0o755)
    done = run(clone, PYTHON=str(old))
    assert done.returncode == 2
    assert done.stderr.startswith("demo/run.sh: needs Python 3.11 or newer")
    assert done.stderr.count("\n") == 1


def test_a_python_without_venv_says_what_to_install(clone: Path, tmp_path: Path) -> None:
    path = broken_modules(tmp_path / "broken", "venv", "ensurepip")
    done = run(clone, PYTHON=sys.executable, PYTHONPATH=path)
    assert done.returncode == 2
    assert "apt-get install python3-venv" in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.slow
def test_without_a_network_it_says_so_and_tries_again_next_time(clone: Path) -> None:
    for _ in range(2):
        done = run(clone, PYTHON=sys.executable)
        assert done.returncode == 2
        assert "is the network there?" in done.stderr
        assert "No matching distribution" in done.stderr
    assert not (clone / ".venv" / ".littoral-installed").exists()


@pytest.mark.slow
def test_pip_from_outside_fills_an_environment_that_cannot_have_its_own(
    clone: Path, tmp_path: Path
) -> None:
    """As on a Debian with python3-pip but without python3-venv."""
    path = broken_modules(tmp_path / "broken", "ensurepip")
    done = run(clone, PYTHON=sys.executable, PYTHONPATH=path)
    assert "is the network there?" in done.stderr
    assert (clone / ".venv" / "bin" / "python").exists()
    assert not (clone / ".venv" / "bin" / "pip").exists()


def test_an_environment_that_is_up_to_date_is_used_at_once(clone: Path, tmp_path: Path) -> None:
    venv = clone / ".venv"
    (venv / "bin").mkdir(parents=True)
    installed = "".join(
        (clone / name).read_text() for name in ("docker/requirements.lock", "pyproject.toml")
    )
    (venv / ".littoral-installed").write_text(installed)
    command = venv / "bin" / "littoral"
    command.write_text('#!/bin/sh\necho "ran $*"\n')
    command.chmod(0o755)
    done = run(clone, PYTHON=sys.executable)
    assert (done.returncode, done.stdout, done.stderr) == (0, "ran demo --help\n", "")
    (clone / "docker/requirements.lock").write_text("changed==1\n")
    quick = broken_modules(tmp_path / "broken", "ensurepip")  # pip is not put into it
    done = run(clone, PYTHON=sys.executable, PYTHONPATH=quick)
    assert "Installing the locked packages" in done.stdout
