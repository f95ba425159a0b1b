"""How often recommendations open and are published with a noisy probe right at a limit of CO2.

An invented tank whose CO2 settles at the animals' ceiling, or at the lower end of its target, with
noise of 0.03 pH, is played every five minutes.

Run: python -m tests.bench.noise_at_limits [DAYS]
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.scenarios.replay import most_openings_in_a_day, play
from tests.scenarios.scenario import load_scenario

INJECTIONS_MG_L_H = {"lower end of the target": (12.2, 12.6), "ceiling": (18.5, 19.0, 19.5)}
SCENARIO = """
title = "CO2 right at a limit with a noisy probe"
days = {days}
every_min = 5
[model]
"gas.injection_mg_l_h" = {injection}
[[sensor]]
quantity = "ph"
name = "glass"
noise_sd = 0.03
"""


def main(days: int) -> None:
    """Play each injection and print what came of it."""
    for where, injections in INJECTIONS_MG_L_H.items():
        for injection in injections:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "limit.toml"
                path.write_text(SCENARIO.format(days=days, injection=injection), encoding="utf-8")
                played = play(load_scenario(path))
            counted = Counter(
                (one.key[0], one.what)
                for one in played.happenings
                if one.key[0].startswith(("co2", "gas"))
            )
            sys.stdout.write(f"{where}, {injection} mg/L/h, {days} days:\n")
            for code in sorted({code for code, _ in counted}):
                opened, changed, closed = (
                    counted[code, what] for what in ("opened", "changed", "closed")
                )
                sys.stdout.write(
                    f"  {code}: {opened} opened, {changed} changed, {closed} cleared; "
                    f"{(opened + changed + closed) / days:.1f} publications a day\n"
                )
            sys.stdout.write(f"  at most {most_openings_in_a_day(played)} of one in a day\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
