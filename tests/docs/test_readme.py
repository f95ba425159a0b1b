"""The README's commands and links are real."""

import re
import runpy
import shlex
import subprocess
from pathlib import Path

import pytest

from service.cli import run
from tests.api.conftest import app, client, context, made  # noqa: F401 - fixtures
from tests.over_http import url  # noqa: F401

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()


def test_the_calculation_prints_what_the_readme_says(capsys):
    command, printed = re.search(r"\$ littoral (co2 .*)\n((?:.+\n)+)```", README).groups()
    assert run(shlex.split(command)) == 0
    assert capsys.readouterr().out == printed


def test_the_samples_of_status_have_the_form_that_the_command_prints():
    """What it prints is tested in tests/cli; here that the pages keep up with it."""
    sample = re.search(r"\$ littoral status lateleaf\n(.*?)```", README, re.DOTALL)[1]
    assert sample in (ROOT / "docs" / "cli.md").read_text(), "README and docs/cli.md differ"
    number, curve = r"-?\d+(\.\d+)?", "[▁▂▃▄▅▆▇█ ]+"
    forms = [
        r"Lateleaf \(lateleaf\): not in order",
        r"  ! CO2 is below its target while lit",
        rf"  CO2 {number} mg/L \(95 %: {number} to {number}\), below 20 to 30 +{curve}",
        rf"  temperature {number} °C, within 20 to 28, [+-]{number} °C per hour +{curve}",
        rf"  light {number} h today of 9 h, {number} mol/m2/d",
        r"  (info|advice|warning|urgent): Large water change .*, by \d\d:\d\d",
    ]
    lines = sample.splitlines()
    assert len(lines) > len(forms)
    for form, line in zip(forms, lines, strict=False):
        assert re.fullmatch(form, line), line


def test_the_tank_of_the_readme_is_set_up_by_commands(capsys, client, url):  # noqa: F811
    (block,) = re.findall(r"```sh\n(pip install \.[\s\S]*?)```", README)
    lines = [line for line in block.replace("\\\n", " ").splitlines() if "littoral tank" in line]
    assert len(lines) == 2
    for line in lines:
        assert run([*shlex.split(line)[1:], "--url", url]) == 0, capsys.readouterr().err
    tank = client.get("/v1/tanks/riffle").get_json()
    assert (tank["volume"]["net"]["value"], tank["animals"][0]["count"]) == (182.25, 20)


def test_every_page_it_links_to_is_there():
    pages = [ROOT / name for name in ("README.md", "DEVELOPERS.md")]
    pages += sorted((ROOT / "docs").rglob("*.md"))
    assert len(pages) > 10
    missing = [
        f"{page.relative_to(ROOT)} -> {target}"
        for page in pages
        for target in re.findall(r"\]\(([^)#:\s]+)[^)]*\)", page.read_text())
        if target not in ("http", "https") and not (page.parent / target).exists()
    ]
    assert not missing


def test_developers_are_led_to_files_that_are_there_and_to_none_twice():
    page = (ROOT / "DEVELOPERS.md").read_text()
    missing = [
        name
        for name in re.findall(r"`((?:service|ingest|demo|tests|docs|docker)/[\w./-]*)`", page)
        if not (ROOT / name).exists()
    ]
    assert not missing
    journeys = page.split("## Three journeys")[1].split("\n## ")[0].split("\n**")[1:]
    assert len(journeys) == 3
    for journey in journeys:
        stops = re.findall(r"`([\w/]+\.py)`", journey)
        assert len(stops) >= 6
        assert len(stops) == len(set(stops)), journey


def test_it_names_the_two_commands_and_opens_with_the_job():
    assert "sh demo/run.sh" in README
    assert "sh tests/run.sh" in README
    first = README.split("\n\n")[1]
    assert first.startswith("Littoral watches planted freshwater tanks")


@pytest.mark.needs("git")
def test_nothing_else_is_visible_at_the_top():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.split()
    visible = {path.split("/")[0] for path in tracked if not path.startswith(".")}
    assert visible == {
        "README.md", "DEVELOPERS.md", "pyproject.toml",
        "service", "ingest", "tests", "docker", "docs", "demo",
    }  # fmt: skip


def test_the_page_of_practice_is_what_the_code_says():
    page = runpy.run_path(str(ROOT / "docs" / "practice.py"))["text"]()
    assert (ROOT / "docs" / "practice.md").read_text() == page, "run docs/practice.py anew"
