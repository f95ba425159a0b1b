"""Writes the file to begin with into docs/config.md anew: python docs/config.py"""

import re
from pathlib import Path

from service.config.template import template

PAGE = Path(__file__).with_name("config.md")

if __name__ == "__main__":
    block = f"```toml\n{template()}```"
    text, once = re.subn(r"```toml\n.*?```", lambda _: block, PAGE.read_text(), flags=re.DOTALL)
    assert once == 1, "docs/config.md has no block of TOML, or several"
    PAGE.write_text(text)
