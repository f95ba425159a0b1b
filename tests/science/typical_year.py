"""A typical year of daylight at Greensboro, 36.1° N, hour by hour (PyPI pvlib, 723170TYA.CSV)."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any


def typical_year() -> Any:
    """The file's table.

    Its illuminance heads say lx, but its values are in 100 lx (TMY3 manual, table 1-2): 46 W/m²
    stand beside 53, and daylight gives about 110 lm/W.
    """
    import pandas as pd  # here, so that not every process of the tests takes the time

    found = importlib.util.find_spec("pvlib")
    assert found is not None and found.origin is not None
    return pd.read_csv(Path(found.origin).parent / "data" / "723170TYA.CSV", skiprows=1)
