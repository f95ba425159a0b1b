"""The README's commands and links are real."""

import re
import shlex
import subprocess
from pathlib import Path

from service.cli import run

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()


def test_the_calculation_prints_what_the_readme_says(capsys):
    command, printed = re.search(r"\$ littoral (co2 .*)\n((?:.+\n)+)```", README).groups()
    assert run(shlex.split(command)) == 0
    assert capsys.readouterr().out == printed


def test_it_names_the_two_commands_and_opens_with_the_job():
    assert "sh demo/run.sh" in README
    assert "sh tests/run.sh" in README
    first = README.split("\n\n")[1]
    assert first.startswith("Littoral watches planted freshwater tanks")


def test_nothing_else_is_visible_at_the_top():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.split()
    visible = {path.split("/")[0] for path in tracked if not path.startswith(".")}
    assert visible == {
        "README.md", "DEVELOPERS.md", "pyproject.toml",
        "service", "ingest", "tests", "docker", "docs", "demo",
    }  # fmt: skip
