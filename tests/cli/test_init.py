"""``littoral init``: the file that the README starts with."""

from __future__ import annotations

import re
import stat
from itertools import pairwise

from service.config import Config, load_config
from service.config.template import template
from tests.cli.conftest import ROOT, refused


def test_init_writes_a_file_that_is_understood_and_overwrites_none(littoral, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    made = littoral("init")
    assert (made.code, made.err) == (0, "")
    file = tmp_path / "littoral.toml"
    assert "littoral up --config littoral.toml" in made.out
    assert (file.read_text(), stat.S_IMODE(file.stat().st_mode)) == (template(), 0o600)
    assert load_config(file, {}) == Config()
    file.write_text("[http]\nport = 8601\n")
    refused(littoral("init"), "littoral.toml", "there already")
    assert file.read_text() == "[http]\nport = 8601\n"
    assert littoral("init", "other.toml").code == 0


def test_each_key_is_explained_and_each_example_is_allowed(tmp_path):
    lines = template().splitlines()
    bare = [
        line
        for before, line in pairwise(lines)
        if re.match(r"#?[a-z_]+ = ", line) and " # " not in line and not before.startswith("# ")
    ]
    assert bare == []
    assert template() in (ROOT / "docs" / "config.md").read_text()
    every = [re.sub(r"^#(?=\[|[a-z_]+ = )", "", line) for line in lines]
    assert len(set(every) - set(lines)) > 50
    file = tmp_path / "littoral.toml"
    file.write_text("\n".join(every))
    config = load_config(file, {})
    assert config.mqtt.protocol == "5" and config.integrations[0].name == "homie"


def test_the_readme_makes_its_file_before_it_uses_it():
    (block,) = re.findall(r"```sh\n(pip install \.[\s\S]*?)```", (ROOT / "README.md").read_text())
    words = re.findall(r"^littoral (init|up --config littoral\.toml)\b", block, re.MULTILINE)
    assert words == ["init", "up --config littoral.toml"]
