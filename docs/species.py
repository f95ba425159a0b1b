"""Writes docs/species.md from the tables of species: ``python docs/species.py > docs/species.md``."""

from collections.abc import Iterable

from service.advice.engine.practice import THRESHOLDS
from service.registry.species.ranges import (
    CO2_COMFORTABLE_UNKNOWN_MG_L,
    CO2_MAX_UNKNOWN_MG_L,
    NARROWEST_K,
)
from service.registry.species.table import ANIMALS, PLANTS, SOURCES, Limits

HEAD = f"""# Animals and plants

What Littoral knows by scientific name: {len(ANIMALS)} animals with their temperature, hardness and
CO2, and {len(PLANTS)} plants with their demand and height. A tank may set its own number for each
group of its animals, and should where the keeper knows better: farmed strains differ from wild
fish.

## Two limits each

- **Comfortable**: kept so for good. Outside it, for {THRESHOLDS["comfort_h"].default:g} h or
  more, the tank gets a remark: information, no warning, nothing to do today.
- **Tolerable**: a healthy animal that is used to the tank bears it for weeks. Outside it there are warnings at once,
  urgent ones {THRESHOLDS["temperature_urgent_c"].default:g} °C further out.
- A tank's own limits win. Where it says only what is tolerated (`temperature`, `co2_max`), the
  animals are comfortable in all of it; `comfortable` and `co2_comfortable` set that range apart.
- The range of a tank is the highest lower limit and the lowest upper limit of its animals. Where
  {NARROWEST_K:g} °C or less is left, the tank gets a choice once: keep the two species apart, or
  set a range to live with. Until then a narrow comfortable range is not judged by; where even the
  tolerable ranges contradict each other, only temperatures that suit none of the animals are
  reported.
- Animals that are not listed need a range of their own. Without one they are listed as unknown on
  the tank's page, in `/v1/tanks/{{tank}}/animals` and by the rule `no-advice`; for CO2 they count
  with {CO2_COMFORTABLE_UNKNOWN_MG_L:g} and {CO2_MAX_UNKNOWN_MG_L:g} mg/L.
- In the first {THRESHOLDS["newcomer_h"].default:g} hours after stocking, animals get
  {THRESHOLDS["newcomer_fraction"].default:.0%} of their CO2 limits (common practice, no source); a tank
  may set both (`newcomer_h`, `newcomer_fraction`).

## CO2

CO2 is mg/L really dissolved, by the carbonate balance, not by the rule of thumb
([practice.md](practice.md#co2-which-mgl)). No published limit for a fish or shrimp of the trade was
found. What was published: no death of common carp and channel catfish in 24 h below 225 mg/L, of trout
below 150 (Treanor et al. 2020, J. Fish Wildl. Manag. 11:463-475, abstract), and slower growth of
salmon from 15 to 20 mg/L on (Fivelstad 2013, Aquac. Eng. 53:40-48, from memory). So these ceilings
are common practice throughout: comfortable up to the 30 mg/L of the trade, tolerable up to what the
rule of thumb calls 30, which is 34; less for shrimps and for fishes of fast streams. They are for
advice, no safety limits: watch the animals, and turn the CO2 down when they gasp at the surface.

Fishes that **take air** come up for it now and then in good water too; that alone is no alarm. All
animals at the surface at once is one.

## Hardness, KH and pH

General hardness is from memory throughout, and only shown: no rule judges it. There is no pH range,
because injected CO2 lowers pH on purpose, and no KH range, because none is known apart from pH.

## Names

Scientific names are as they are most used, from memory. Other names in use, older ones and those
of recent revisions (*Corydoras* was split in 2024), count as synonyms: they are accepted, and the
answers give the listed name. A common name or a misspelt one is never accepted: the error suggests
the nearest listed names.

A tank lists its plants in `plants`; what it says of their light, CO2 and height overrides the table. Its
targets of CO2 and light stay those of `targets`. `GET /v1/tanks/{{tank}}/plants` and the tank's page say which
plants need CO2 where there is none, or grow taller than the water is deep.

Many of these species spread where they are released, and some are forbidden in places. Local law
counts; never put animals, plants or old water into natural waters.

"""


def text() -> str:
    """The page."""
    return HEAD + _sources() + _animals() + _plants()


def _sources() -> str:
    rows = [f"| {_mark(source)} | {source} |\n" for source in SOURCES.values()]
    return "## Sources\n\n| mark | source |\n| --- | --- |\n" + "".join(rows) + "\n"


def _animals() -> str:
    head = (
        "## Animals\n\n"
        "| species | names | °C comfortable | °C tolerable | dGH | CO2 comfortable, tolerable mg/L "
        "| takes air |\n| --- | --- | --- | --- | --- | --- | --- |\n"
    )
    rows = [
        f"| *{one.name}*{_older(one.synonyms)} | {', '.join(one.vernacular)} "
        f"| {_limits(one.comfortable_c)} | {_limits(one.tolerable_c)} "
        f"| {one.gh_dgh.low:g}-{one.gh_dgh.high:g} "
        f"| {one.co2_comfortable_mg_l:g}, {one.co2_tolerable_mg_l:g} "
        f"| {'yes' if one.air_breather else ''} |\n"
        for one in sorted(ANIMALS, key=lambda one: (one.group, one.name))
    ]
    return head + "".join(rows) + "\n"


def _plants() -> str:
    head = (
        "## Plants\n\n"
        "Light: low up to about 30, medium up to about 60, high above 60 µmol/m²/s at the leaf "
        "(common practice, no source). Places: wood is tied to wood or rock.\n\n"
        "| species | names | light | injected CO2 | height, cm | place |\n"
        "| --- | --- | --- | --- | --- | --- |\n"
    )
    rows = [
        f"| *{one.name}*{_older(one.synonyms)} | {', '.join(one.vernacular)} | {one.light} "
        f"| {one.co2} | {_limits(one.height_cm)} | {one.place} |\n"
        for one in PLANTS
    ]
    return head + "".join(rows)


def _older(synonyms: Iterable[str]) -> str:
    return f" ({', '.join(synonyms)})" if synonyms else ""


def _limits(limits: Limits) -> str:
    marks = " ".join(_mark(source) for source in limits.source.split("; ") if source in _MARKS)
    return f"{limits.low:g}-{limits.high:g} {marks}"


_MARKS = {source: key for key, source in SOURCES.items()}


def _mark(source: str) -> str:
    return _MARKS[source]


if __name__ == "__main__":
    print(text(), end="")
