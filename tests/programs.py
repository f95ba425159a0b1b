"""The programs that tests, examples and scripts call, and the list of them in programs.txt."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

ROOT = Path(__file__).parents[1]
LIST = Path(__file__).with_name("programs.txt")

OURS = frozenset({"littoral"})
BUILT_IN = frozenset(re.findall(r"\S+", """
    : . [ break cd command continue echo eval exec exit export false getopts kill local printf pwd
    read return set shift test trap true type ulimit umask unset wait
"""))  # fmt: skip
# These run the program that is their first plain word.
WRAPPERS = frozenset({"as_root", "command", "env", "exec", "nice", "sudo", "timeout"})


def listed_programs() -> dict[str, str]:
    """Each program of the list and its Debian package, ``-`` where tests/run.sh installs none."""
    rows = [line.split("#")[0].split() for line in LIST.read_text().splitlines()]
    return dict(filter(None, rows))


def installed_programs() -> set[str]:
    """The programs of the list that a bare Debian lacks and tests/run.sh installs."""
    wanted = LIST.read_text().split("# parts of every Debian")[0]
    return {line.split()[0] for line in wanted.splitlines() if line and line[0] != "#"}


def unlisted(names: set[str]) -> set[str]:
    """Those that are neither listed, nor the shell's own, nor this project's."""
    return names - set(listed_programs()) - BUILT_IN - OURS


def shell_blocks(page: str) -> Iterator[str]:
    """The shell of a Markdown page: blocks marked ``sh``, and lines after ``$ `` in plain ones."""
    for language, body in re.findall(r"^```(\w*)\n(.*?)^```$", page, re.DOTALL | re.MULTILINE):
        if language == "sh":
            yield body
        elif not language:
            yield "\n".join(re.findall(r"^\$ (.*)$", body, re.MULTILINE))


def plain_blocks(page: str) -> Iterator[str]:
    """The blocks of a Markdown page that are marked as no language at all."""
    for language, body in re.findall(r"^```(\w*)\n(.*?)^```$", page, re.DOTALL | re.MULTILINE):
        if not language:
            yield body


def programs_in_shell(script: str) -> set[str]:
    """The commands that a shell script calls by name, without the functions that it defines.

    A command that only a variable names cannot be told and is left out.
    """
    import tree_sitter_bash
    from tree_sitter import Language, Node, Parser

    tree = Parser(Language(tree_sitter_bash.language())).parse(script.encode())

    def nodes(node: Node, kind: str) -> Iterator[Node]:
        if node.type == kind:
            yield node
        for child in node.children:
            yield from nodes(child, kind)

    def text(node: Node) -> str:
        return (node.text or b"").decode()

    def words(command: Node) -> Iterator[str]:
        """The name, and after a wrapper the name of what it runs."""
        plain = [text(one) for one in command.children if one.type != "variable_assignment"]
        if re.fullmatch(r"[\w.+-]+|[:\[]", plain[0]):
            yield plain[0]
        wrapped = plain[0] in WRAPPERS
        for word in plain[1:]:
            if not wrapped:
                break
            if re.match(r"-|\w+=|\d+$", word):
                continue  # an option of the wrapper, or a variable for what it runs
            wrapped = word in WRAPPERS
            if re.fullmatch(r"[a-z][\w.+-]*", word):
                yield word

    functions = {text(one.children[0]) for one in nodes(tree.root_node, "function_definition")}
    called = {word for one in nodes(tree.root_node, "command") for word in words(one)}
    return called - functions


def programs_looked_for(module: str) -> set[str]:
    """The names that a Python module gives to ``program(...)`` or ``shutil.which(...)``."""
    found = set()
    for node in ast.walk(ast.parse(module)):
        if isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            function = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if function in ("program", "which") and isinstance(node.args[0].value, str):
                found.add(node.args[0].value)
    return found


def _called_by_us(frame: FrameType | None) -> bool:
    while frame is not None and frame.f_code.co_filename in (subprocess.__file__, __file__):
        frame = frame.f_back
    if frame is None:
        return False
    file = Path(frame.f_code.co_filename)
    return file.is_relative_to(ROOT) and "site-packages" not in file.parts


def refuse_unlisted(event: str, details: tuple[Any, ...]) -> None:
    """An audit hook (``sys.addaudithook``): no code of ours starts a program that is not listed.

    Python, what the virtual environment brought and what a test itself wrote need no package.
    """
    if event != "subprocess.Popen" or not _called_by_us(sys._getframe(1)):
        return
    executable, words = Path(str(details[0])), [str(word) for word in details[1]]
    brought = (Path(sys.prefix), Path(sys.executable).parent, Path(tempfile.gettempdir()))
    if any(executable.is_relative_to(folder) for folder in brought):
        return
    called = {executable.name} if not executable.name.startswith("python") else set()
    if executable.name == "sh" and "-c" in words:
        called |= programs_in_shell(words[words.index("-c") + 1])
    missing = sorted(unlisted(called))
    assert not missing, f"not in tests/{LIST.name}: {', '.join(missing)}"
