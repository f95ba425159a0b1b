"""The lock files cover what pyproject.toml asks for, with hashes and from the public index."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
EXTRAS = {
    "requirements.lock": ("demo",),
    "requirements-image.lock": ("demo", "postgresql"),
    "requirements-test.lock": ("demo", "postgresql", "test"),
}


def locked(name: str) -> dict[str, list[Requirement]]:
    """What a lock file pins: package -> its pins (several where platforms differ)."""
    text = (ROOT / "docker" / name).read_text().replace("\\\n", " ")
    pins: dict[str, list[Requirement]] = {}
    for line in text.splitlines():
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        requirement = Requirement(re.sub(r"\s*--hash=\S+", "", line).strip())
        assert "--hash=sha256:" in line, f"{requirement.name} has no hash"
        pins.setdefault(canonicalize_name(requirement.name), []).append(requirement)
    return pins


def wanted(extras: tuple[str, ...]) -> list[Requirement]:
    whole = tomllib.loads((ROOT / "pyproject.toml").read_text())
    project = whole["project"]
    texts = whole["build-system"]["requires"] + project["dependencies"]
    for extra in extras:
        texts += project["optional-dependencies"][extra]
    return [Requirement(text) for text in texts]


@pytest.mark.parametrize("name", EXTRAS)
def test_every_dependency_is_pinned_in_its_range(name: str) -> None:
    pins = locked(name)
    for requirement in wanted(EXTRAS[name]):
        found = pins.get(canonicalize_name(requirement.name), [])
        hint = f"{requirement} is not met by {name}: run sh docker/lock.sh"
        assert found, hint
        for pin in found:
            (exact,) = pin.specifier
            assert exact.operator == "=="
            assert requirement.specifier.contains(exact.version, prereleases=True), hint


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-image.lock"])
def test_tests_run_on_the_versions_that_are_shipped(name: str) -> None:
    tested = locked("requirements-test.lock")
    for package, pins in locked(name).items():
        versions = {str(pin.specifier) for pin in tested[package]}
        assert {str(pin.specifier) for pin in pins} <= versions


@pytest.mark.parametrize("name", EXTRAS)
def test_nothing_of_a_developers_machine_is_locked(name: str) -> None:
    text = (ROOT / "docker" / name).read_text()
    for trace in ("file:", "find-links", "index-url", " @ ", "/opt/", "/home/", "-e "):
        assert trace not in text
