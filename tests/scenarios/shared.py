"""Scenarios that are played once in a run of the tests, whichever of its processes asks first."""

from __future__ import annotations

import copyreg
import fcntl
import functools
import pickle
from collections.abc import Callable
from pathlib import Path
from types import MappingProxyType
from typing import Any

from tests.scenarios.replay import Played, play
from tests.scenarios.scenario import Scenario, load_scenario


def _view(held: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(held)


copyreg.pickle(MappingProxyType, lambda one: (_view, (dict(one),)))


def played_once(folder: Path) -> Callable[[Path], tuple[Scenario, Played]]:
    """What plays a scenario, or reads from a folder that processes share what came of it.

    A failure to play it is none of another process: who asks next plays it again.
    """

    @functools.cache
    def played(path: Path) -> tuple[Scenario, Played]:
        kept = folder / f"{path.stem}.played"
        with kept.with_suffix(".lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not kept.exists():
                new = kept.with_suffix(".new")
                new.write_bytes(pickle.dumps(play(load_scenario(path))))
                new.rename(kept)
        return load_scenario(path), pickle.loads(kept.read_bytes())

    return played
