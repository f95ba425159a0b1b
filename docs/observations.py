"""Writes docs/observations.md from the table of kinds: ``python docs/observations.py > …``."""

from collections.abc import Iterator
from itertools import groupby

from service.registry.log.observations import OBSERVATIONS

HEAD = """# What you see

Readings don't show algae, leaves or how the animals behave. You do, in two taps: what you see, and how much
of it, from 0 to 5. 0 says that you looked and there is none, which is worth as much as a 3.

- On the page of a tank: "What do you see?", below the form for the log. The levels are charted over time below
  CO2, temperature and light, in the same span of time.
- With a [sharing link](access.md#sharing-links) that takes reports: the same list; without a connection the tap
  is kept on the phone and sent later.
- `littoral log observation riffle --kind threads --level 2`; `littoral observations riffle` lists what was seen,
  `littoral observations --scales` what the levels mean.
- `POST /v1/tanks/{tank}/log` with `{"kind": "observation", "data": {"kind": "threads", "level": 2}}`;
  `GET /v1/tanks/{tank}/observations` is the series (`kind`, `start`, `end`, `limit`), newest first, and
  `GET /v1/observations` the scales below.

The height of a plant is followed as well: `--plant "Rotala rotundifolia" --height 23` (`plant` and `height` in
`data`), of a species that the tank lists, seen or left by a trim or replant. See
[plants](pages.md#plants).

An observation is an entry of the log: it may have a remark and a time, is in exports and backups, and is deleted
like any other. Whatever else you count goes beside it in `data`, with a name of your own.

## What advice makes of it

| seen | with | advice |
| --- | --- | --- |
| tufts that rise | CO2 that differs from day to day | steady the CO2 first (`co2-unsteady`) |
| any algae that rise | light of more than 8 h | shorten the light by an hour at most (`algae-light`) |
| pale new leaves, holes | estimated iron, or potassium, nitrate, phosphate, that is short | test for it, then dose as planned (`leaves-hungry`) |
| melting leaves | a set-up or replant in the last four weeks | wait (`leaves-melting`) |
| breathing at the surface | | an emergency: CO2 off, air, water (`animals-gasping`) |
| losses | | test; from "two or three within a week" on a water change too (`animals-lost`) |
| a plant's height | growth between two cuts | it reaches the surface: trim it, or let it grow out (`plant-at-surface`) |
| Hydra | no fish for three weeks | feed less, no medication (`hydra`) |

Old observations don't count: after ten days, breathing at the surface after twelve hours. A rise is judged
against the lowest of the six weeks before. Each number is a threshold that a tank may set, and each rule names
what it rests on: [practice.md](practice.md).

## The scales

The steps are in our own words and our choice, in the manner of the cover scales of vegetation science
(Braun-Blanquet 1932, from memory). They are coarse on purpose: two people who look at the same tank should
choose the same step.
"""


def text() -> str:
    """The page."""
    return "\n".join([HEAD, *_tables()]).rstrip("\n") + "\n"


def _tables() -> Iterator[str]:
    for group, kinds in groupby(OBSERVATIONS.values(), key=lambda kind: kind.group):
        yield f"### {group}\n"
        for kind in kinds:
            yield f"#### {kind.title}: `{kind.code}`\n"
            yield "| level | what you see |\n| --- | --- |"
            yield from (f"| {level} | {step} |" for level, step in enumerate(kind.steps))
            yield ""


if __name__ == "__main__":
    print(text(), end="")
