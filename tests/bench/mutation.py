"""Do the tests notice a wrong operator? Changes one at a time and runs the tests of its room.

    pip install '.[mutation]'      # into .venv-test
    python -m tests.bench.mutation science ingest --sample 20 --seed 1

Each mutant is one change that cosmic-ray's operators make: a comparison, an arithmetic operator,
and/or, or a number that a comparison or a constant of the module names. The sample takes the four
kinds in turn. Tests run in a copy of the tree: of the room's test files those that ran the changed
line when nothing was changed, or all where it runs at import only. A mutant is noticed when a test
fails, which is named, or when the tests take far longer than without it. Survivors
that change nothing are named in mutation_equivalent.txt, with the reason, and are not counted.
"""

from __future__ import annotations

import argparse
import itertools
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators import (
    binary_operator_replacement,
    boolean_replacer,
    comparison_operator_replacement,
    number_replacer,
)
from cosmic_ray.operators.operator import Operator
from coverage import CoverageData
from parso.tree import NodeOrLeaf

from tests.bench.mutation_equivalents import reasons
from tests.bench.mutation_rooms import ROOMS, Room

ROOT = Path(__file__).parents[2]


# Of what cosmic-ray can do, that which could be a slip: no shift of a float, no `is` for `==`.
_SLIPS = (
    r"Comparison.*_(Lt|LtE|Gt|GtE)_(Lt|LtE|Gt|GtE)$|_(Not)?Eq_(Not)?Eq$|_Is(Not)?_Is(Not)?$"
    r"|BinaryOperator_(Add|Sub|Mul|Div|FloorDiv|Mod|Pow)_(Add|Sub|Mul|Div)$"
)
OPERATORS: dict[str, list[type[Operator]]] = {
    "comparison": [
        one
        for one in comparison_operator_replacement.operators()
        if re.search(_SLIPS, one.__name__)
    ],
    "arithmetic": [
        one for one in binary_operator_replacement.operators() if re.search(_SLIPS, one.__name__)
    ],
    "and/or": [boolean_replacer.ReplaceAndWithOr, boolean_replacer.ReplaceOrWithAnd],
    "limit": [number_replacer.NumberReplacer],
}
SURVIVED, NOTICED, TIMED_OUT, EQUIVALENT_TO = "SURVIVED", "noticed", "timed out", "equivalent"
PLUGIN = Path(__file__).with_name("mutation_lines.py")
COVERED = ".covered"
#: A mutant may take so many times as long as the unchanged code, and so many seconds more.
PATIENCE, PATIENCE_S = 4.0, 60.0
AGAIN_S = 1800.0


@dataclass(frozen=True)
class Mutant:
    """One change of one place."""

    file: str
    line: int
    before: str
    after: str
    code: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.before}  ->  {self.after}"

    @property
    def key(self) -> str:
        """How it is named in mutation_equivalent.txt: without the line number, which moves."""
        return f"{self.file}: {self.before} -> {self.after}"


def main() -> int:
    """Print the survivors and a figure for each room; 1 when one is below the goal."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("rooms", nargs="*", choices=[[], *ROOMS], metavar="ROOM", default=[])
    parser.add_argument("--sample", type=int, default=20, help="mutants for each room")
    parser.add_argument("--seed", type=int, default=1, help="another seed, another sample")
    parser.add_argument("--goal", type=float, default=0.9, help="share that must be noticed")
    parser.add_argument("--again", type=Path, help="only what survived by this earlier output")
    parser.add_argument("--only", default="", help="only mutants whose text contains this")
    chosen = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    reached = True
    with tempfile.TemporaryDirectory(prefix="littoral-mutation-") as folder:
        tree = copy_of_the_tree(Path(folder))
        for room in chosen.rooms or ROOMS:
            share = try_room(tree, room, chosen)
            reached &= share >= chosen.goal
    return 0 if reached else 1


def copy_of_the_tree(folder: Path) -> Path:
    """All files that are committed, as they are now."""
    command = ["git", "ls-files", "-z"]
    names = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    for name in filter(None, names.split("\0")):
        if (ROOT / name).exists():
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, target)
    for command in (["git", "init", "-q"], ["git", "add", "-A"]):  # tests ask what is committed
        subprocess.run(command, cwd=folder, check=True)
    return folder


def try_room(tree: Path, room: str, chosen: argparse.Namespace) -> float:
    """Try a sample of a room's mutants; the share that is noticed."""
    where, dice = ROOMS[room], random.Random(f"{room} {chosen.seed}")
    mutants = sample(tree, where, dice, chosen.sample, chosen.only)
    equivalent, before = reasons(), chosen.again.read_text() if chosen.again else ""
    began = time.monotonic()
    ran, patience_s = (None, AGAIN_S) if before else unchanged(tree, where)
    counted = noticed = 0
    for mutant in mutants:
        by = ""
        if mutant.key in equivalent:
            came = EQUIVALENT_TO
        elif f"{NOTICED:<10}  {mutant}\n" in before:
            came = NOTICED
        else:
            came, by = try_mutant(tree, where, mutant, ran, patience_s)
        counted += came != EQUIVALENT_TO
        noticed += came in (NOTICED, TIMED_OUT)
        print(f"  {came:<10}  {mutant}", flush=True)
        if by:
            print(f"    by {by}", flush=True)
    share = noticed / counted if counted else 1.0
    print(
        f"{room}: {noticed} of {counted} noticed ({share:.0%}), "
        f"{time.monotonic() - began:.0f} s, seed {chosen.seed}",
        flush=True,
    )
    return share


def unchanged(tree: Path, room: Room) -> tuple[CoverageData, float]:
    """Which test file runs which line, and how long a mutant may take."""
    began = time.monotonic()
    came, by = outcome(tree, room, room.test_files(tree), 3600.0, "-p", PLUGIN.stem)
    if came != SURVIVED:
        raise SystemExit(f"{room.code}: its tests fail without any change: {by or came}")
    ran = CoverageData(str(tree / COVERED))
    ran.read()
    return ran, PATIENCE * (time.monotonic() - began) + PATIENCE_S


def try_mutant(
    tree: Path, room: Room, mutant: Mutant, ran: CoverageData | None, patience_s: float
) -> tuple[str, str]:
    """Run the tests with one change, those first that name the changed module.

    Returns:
        What came of it, and the test that failed.
    """
    file, every = tree / mutant.file, room.test_files(tree)
    lines = ran.contexts_by_lineno(str(file)) if ran else {}
    concerned = [one for one in every if str(one) in lines.get(mutant.line, ())] or every
    concerned = sorted(concerned, key=lambda one: file.stem not in one.read_text())
    original = file.read_text()
    file.write_text(mutant.code)
    try:
        return outcome(tree, room, concerned, patience_s)
    finally:
        file.write_text(original)


def sample(tree: Path, room: Room, dice: random.Random, size: int, only: str) -> list[Mutant]:
    """So many mutants of different places, the kinds in turn."""
    files = room.modules(tree)
    places = {kind: list(all_places(files, kind)) for kind in OPERATORS}
    for found in places.values():
        dice.shuffle(found)
    in_turn = [one for row in itertools.zip_longest(*places.values()) for one in row if one]
    mutants = (mutant_of(tree, file, dice.choice(changes)) for file, changes in in_turn)
    wanted = (one for one in mutants if only in str(one) and is_python(one.code))
    return list(itertools.islice(wanted, size))


Change = tuple[type[Operator], int]


def all_places(files: list[Path], kind: str) -> Iterator[tuple[Path, list[Change]]]:
    """Each place that an operator of a kind can change, with all that it can do there."""
    for file in files:
        nodes = list(ast_nodes(get_ast(file.read_text())))
        changes: dict[object, list[Change]] = {}
        for operator in OPERATORS[kind]:
            found = ((node, at) for node in nodes for at in operator().mutation_positions(node))
            for occurrence, (node, at) in enumerate(found):
                if kind != "limit" or is_limit(node):
                    changes.setdefault(at, []).append((operator, occurrence))
        for one in changes.values():
            yield file, one


def is_limit(number: NodeOrLeaf) -> bool:
    """Whether a number stands in a comparison or in a constant of its module."""
    node, outer = number, number.parent
    while outer is not None:
        if outer.type == "comparison":
            return True
        if outer.type in ("funcdef", "classdef", "lambdef", "subscriptlist"):
            return False
        node, outer = outer, outer.parent
    return node.get_code().lstrip("_ \n#:").split("\n")[-1][:1].isupper() or "Final" in (
        node.get_code()
    )


def mutant_of(tree: Path, file: Path, change: Change) -> Mutant:
    """The text of a file with one change."""
    operator, occurrence = change
    before = file.read_text()
    after = mutate_code(before, operator(), occurrence)
    lines = enumerate(zip(before.split("\n"), after.split("\n"), strict=False), 1)
    line, (was, now) = next((number, pair) for number, pair in lines if pair[0] != pair[1])
    return Mutant(str(file.relative_to(tree)), line, was.strip(), now.strip(), after)


def is_python(code: str) -> bool:
    """Whether it compiles: `**` of keyword arguments is no operator."""
    try:
        compile(code, "mutant", "exec")
    except SyntaxError:
        return False
    return True


def outcome(
    tree: Path, room: Room, files: list[Path], patience_s: float, *options: str
) -> tuple[str, str]:
    """What test files make of the tree as it is, and the test that failed."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *options]
    if room.left_out:
        command += ["-k", f"not ({room.left_out})"]
    with tempfile.TemporaryFile("w+", errors="replace") as printed:  # a pipe could fill up
        process = subprocess.Popen(
            [*command, *map(str, files)],
            cwd=tree,
            env=os.environ
            | {"PYTHONPATH": f"{tree}:{PLUGIN.parent}", "PYTHONDONTWRITEBYTECODE": "1"}
            | {"COVERAGE_FILE": str(tree / COVERED)},
            stdout=printed,
            stderr=subprocess.DEVNULL,
        )
        try:
            if not process.wait(patience_s):
                return SURVIVED, ""
            printed.seek(0)
            failed = re.search(r"^(?:FAILED|ERROR) (\S+)", printed.read(), re.MULTILINE)
            return NOTICED, failed[1] if failed else ""
        except subprocess.TimeoutExpired:
            return TIMED_OUT, ""
        finally:
            process.terminate()  # pytest stops the servers that it started
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


if __name__ == "__main__":
    sys.exit(main())
