"""Wrong and hostile texts for each option and argument of all commands: one line, no defect."""

from __future__ import annotations

import importlib

import click
import pytest

from service.cli import COMMANDS
from tests.api.scenes import put

BRACES = "{} {0} {x} %s %d"
TEXTS = (
    "", BRACES, "x" * 10_000, "9" * 400, "1e400", "5e-324", "NaN", "-1", "{}", "\udcff", "\u202e",
    "9999-13-45T99:99:99Z", "P99999999999D", "sqlite:///", "http://[", "../..", "a=b=c",
)  # fmt: skip
USUAL = {
    "tank": "riffle", "ph": "6.6", "alkalinity_meq_l": "4", "temperature_c": "24",
    "name": "x", "kh": "4", "gh": "4", "species": "x", "count": "1", "token_id": "x", "key": "x",
    "pairs": "kh", "paths": "kh", "start": "2031-01-01", "end": "2031-01-02",
}  # fmt: skip
SEEN: set[tuple[str, str, str]] = set()
"""Parameters that all commands of a group have and that are tried with the first."""
SHARED = (
    "tank", "time", "note", "by", "url", "token", "key", "count", "temperature", "light", "co2",
    "co2_max", "height", "volume_per_100_l",
)  # fmt: skip
RUN_ON = {"ingest", "serve", "watch"}
"""Commands that last until they are stopped; what names no configuration is tried by others."""


def commands(command, *words):
    """Each command with its words."""
    if isinstance(command, click.Group):
        for name in command.list_commands(click.Context(command)):
            inner = command.get_command(click.Context(command), name)
            yield from commands(inner, *words, name)
    else:
        yield words, command


def every_command():
    for name, entry in COMMANDS.items():
        if name in ("demo", "up"):
            continue  # they begin processes, whose commands are tried themselves
        module = importlib.import_module(f"service.cli.{entry.module}")
        yield from commands(module.command, name)


def given(parameter, text):
    """The words of a command line that give a parameter a text."""
    texts = [text] * max(parameter.nargs, 1)
    return texts if isinstance(parameter, click.Argument) else [parameter.opts[-1], *texts]


@pytest.mark.parametrize(
    ("words", "command"), [pytest.param(*one, id=" ".join(one[0])) for one in every_command()]
)
def test_no_argument_can_be_so_wrong_that_it_is_a_defect(
    littoral, url, client, tmp_path, monkeypatch, words, command
):
    put(client)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "riffle.csv").write_text("time,ph\n2025-06-01T00:00:00Z,6.8\n")
    config = tmp_path / "littoral.toml"
    config.write_text("[http]\nport = 0\n")
    usual = USUAL | {
        "url": url, "file": "riffle.csv", "config_file": str(config), "form": "csv",
        "store_url": "sqlite:///own.db", "source_url": "sqlite:///own.db",
        "target_url": "sqlite:///other.db",
    }  # fmt: skip
    taken = [one for one in command.params if not getattr(one, "is_flag", False)]
    found, asked = [], 0
    for parameter in taken:
        shared = words[0], parameter.name, type(parameter.type).__name__
        if (words[0] in RUN_ON and parameter.name != "config_file") or shared in SEEN:
            continue
        if words[0] in ("log", "tank") and parameter.name in SHARED:
            SEEN.add(shared)
        for text in TEXTS:
            if words[0] in RUN_ON and not text.strip():
                continue
            line = list(words)
            for other in taken:
                if other is parameter:
                    line += given(parameter, text)
                elif other.required or other.name in ("url", "config_file", "store_url"):
                    line += given(other, usual.get(other.name, "1"))
            asked += 1
            try:
                done = littoral(*line)
            except Exception as error:  # noqa: BLE001 - whatever it is, it is one too many
                found.append(f"{parameter.name} {text[:40]!r}: {error!r:.300}")
                continue
            if done.code not in (0, 1, 2) or "Traceback" in done.err:
                found.append(f"{parameter.name} {text[:40]!r}: {done.code} {done.err[-300:]}")
            if (done.code == 2 and done.err.strip().count("\n")) or len(done.err) > 2000:
                found.append(f"{parameter.name} {text[:40]!r}: {done.err[:300]}")
    assert asked or words[0] in {*RUN_ON, "openapi", "log", "tank"}
    assert not found, f"{len(found)} of {asked}:\n" + "\n".join(found[:20])
