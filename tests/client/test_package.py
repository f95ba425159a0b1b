"""A script writes ``from littoral import Client``; from a wheel: docker/test_distribution.py."""

from __future__ import annotations

import os
import subprocess
import sys
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
