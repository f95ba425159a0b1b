"""Writes docs/species.md from the species table: ``python docs/species.py > docs/species.md``."""

from service.derive.thresholds import DERIVED
from service.registry.species.ranges import CO2_MAX_UNKNOWN_MG_L
from service.registry.species.table import SPECIES

HEAD = f"""# What animals tolerate

Temperature ranges and CO2 ceilings that Littoral knows by scientific name. A tank may override
every number for each group of its livestock, and should where the keeper knows better:
farmed strains differ from wild fish, and a published range is where a species is kept well, not
where it dies.

Sources are told apart. FishBase is Froese, R. & Pauly, D. (eds.), FishBase, www.fishbase.org, the
environment line of each species summary; these values are **from memory**, because the pages could
not be opened when the table was written. "Common practice" has no source.

CO2 ceilings are common practice without a source throughout. They are ceilings for advice, no
safety limits: watch the animals, and lower the gas when they gasp at the surface.

- Animals that are not listed count with {CO2_MAX_UNKNOWN_MG_L:g} mg/L and no temperature range.
- In the first {DERIVED["newcomer_h"].default:g} hours after stocking, animals get
  {DERIVED["newcomer_share"].default:.0%} of their ceiling (common practice, no source); a tank may set
  both (`newcomer_h`, `newcomer_share`).
- The range of a tank is the highest lower limit and the lowest upper limit of its animals. Where
  those cross, no temperature suits all, and Littoral says which two species contradict each other.

| species | group | °C | CO2 up to, mg/L | takes air | range from |
| --- | --- | --- | --- | --- | --- |
"""


def text() -> str:
    """The page."""
    rows = []
    for entry in sorted(SPECIES, key=lambda one: (one.group, one.name)):
        older = f" ({', '.join(entry.synonyms)})" if entry.synonyms else ""
        rows.append(
            f"| *{entry.name}*{older} | {entry.group} "
            f"| {entry.temperature_low_c:g}–{entry.temperature_high_c:g} "
            f"| {entry.co2_max_mg_l:g} | {'yes' if entry.air_breather else ''} "
            f"| {entry.temperature_source} |\n"
        )
    return HEAD + "".join(rows)


if __name__ == "__main__":
    print(text(), end="")
