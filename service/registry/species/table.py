"""Species commonly kept in planted tanks, each range with its source.

Two kinds of source are honest here, and each entry says which one it has:

* ``FISHBASE``: the environment line of the species summary in Froese, R. & Pauly, D. (eds.),
  FishBase, www.fishbase.org. Most of its aquarium ranges go back to Riehl & Baensch 1991.
  All of them are given from memory: the pages could not be opened when this was written.
* ``PRACTICE``: common practice of the trade, no source.

CO2 ceilings are common practice without a source throughout: about 30 mg/L where there are
fish, less for shrimps, less again for species of fast, oxygen-rich streams. A tank may override
every number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

PRACTICE: Final = "common practice, no source"
FISHBASE: Final = "Froese & Pauly, FishBase, species summary (from memory)"

CO2_MAX_FISH_MG_L: Final = 30.0
CO2_MAX_SHRIMP_MG_L: Final = 25.0
CO2_MAX_STREAM_MG_L: Final = 25.0


@dataclass(frozen=True, slots=True)
class Species:
    """One species.

    Attributes:
        name: accepted scientific name.
        group: ``fish``, ``shrimp`` or ``snail``.
        temperature_low_c, temperature_high_c: tolerated for good, °C.
        temperature_source: where the range comes from.
        co2_max_mg_l: tolerated dissolved CO2, mg/L.
        co2_source: where that comes from.
        air_breather: takes air at the surface besides breathing water.
        synonyms: older scientific names still met in the trade.
    """

    name: str
    group: str
    temperature_low_c: float
    temperature_high_c: float
    temperature_source: str
    co2_max_mg_l: float = CO2_MAX_FISH_MG_L
    co2_source: str = PRACTICE
    air_breather: bool = False
    synonyms: tuple[str, ...] = ()


def _fish(
    name: str,
    low_c: float,
    high_c: float,
    source: str = FISHBASE,
    *,
    co2_max_mg_l: float = CO2_MAX_FISH_MG_L,
    air_breather: bool = False,
    synonyms: tuple[str, ...] = (),
) -> Species:
    return Species(
        name,
        "fish",
        low_c,
        high_c,
        source,
        co2_max_mg_l=co2_max_mg_l,
        air_breather=air_breather,
        synonyms=synonyms,
    )


def _shrimp(
    name: str, low_c: float, high_c: float, source: str, synonyms: tuple[str, ...] = ()
) -> Species:
    return Species(
        name,
        "shrimp",
        low_c,
        high_c,
        source,
        co2_max_mg_l=CO2_MAX_SHRIMP_MG_L,
        synonyms=synonyms,
    )


SPECIES: Final[tuple[Species, ...]] = (
    # Characins
    _fish("Paracheirodon innesi", 20, 26),
    _fish("Paracheirodon axelrodi", 23, 27),
    _fish("Hyphessobrycon amandae", 24, 28),
    _fish("Hyphessobrycon herbertaxelrodi", 23, 27),
    _fish("Hemigrammus erythrozonus", 24, 28),
    _fish("Hemigrammus bleheri", 23, 26, synonyms=("Petitella bleheri",)),
    _fish("Nannostomus marginatus", 24, 26),
    # Barbs, danios, loaches and their kin
    _fish(
        "Danio rerio",
        18,
        28.5,
        "lower end: Froese & Pauly, FishBase, species summary; upper end: the laboratory standard "
        "of Westerfield 2000, The Zebrafish Book, 4th ed. (both from memory)",
        synonyms=("Brachydanio rerio",),
    ),
    _fish("Danio margaritatus", 20, 26, PRACTICE, synonyms=("Celestichthys margaritatus",)),
    _fish("Tanichthys albonubes", 18, 22),
    _fish("Trigonostigma heteromorpha", 22, 25, synonyms=("Rasbora heteromorpha",)),
    _fish("Boraras brigittae", 24, 28, PRACTICE),
    _fish("Pethia conchonius", 18, 22, synonyms=("Puntius conchonius", "Barbus conchonius")),
    _fish("Puntigrus tetrazona", 20, 26, synonyms=("Puntius tetrazona", "Barbus tetrazona")),
    _fish("Crossocheilus oblongus", 24, 26, synonyms=("Crossocheilus siamensis",)),
    _fish("Sewellia lineolata", 20, 24, PRACTICE, co2_max_mg_l=CO2_MAX_STREAM_MG_L),
    # Catfishes
    _fish("Corydoras paleatus", 18, 23, air_breather=True, synonyms=("Hoplisoma paleatum",)),
    _fish("Corydoras pygmaeus", 22, 26, air_breather=True, synonyms=("Gastrodermus pygmaeus",)),
    _fish("Corydoras aeneus", 25, 28, air_breather=True, synonyms=("Osteogaster aenea",)),
    _fish("Otocinclus vittatus", 21, 25, PRACTICE),
    # Labyrinth fishes
    _fish("Betta splendens", 24, 30, air_breather=True),
    _fish("Trichogaster lalius", 25, 28, air_breather=True, synonyms=("Colisa lalia",)),
    _fish("Trichopodus leerii", 24, 28, air_breather=True, synonyms=("Trichogaster leerii",)),
    # Livebearers and ricefishes
    _fish("Poecilia reticulata", 18, 28),
    _fish("Xiphophorus maculatus", 18, 25),
    _fish("Xiphophorus hellerii", 22, 28),
    _fish("Oryzias latipes", 18, 24),
    # Cichlids
    _fish("Pterophyllum scalare", 24, 30),
    _fish("Mikrogeophagus ramirezi", 27, 30, synonyms=("Papiliochromis ramirezi",)),
    _fish("Symphysodon aequifasciatus", 26, 30),
    # Shrimps
    _shrimp(
        "Neocaridina davidi",
        18,
        28,
        "upper end: Tropea, Stumpf & López Greco 2015, PLoS ONE 10(3):e0119468 (good growth and "
        "breeding at 24 and 28 °C, eggs lost at 32 °C); lower end: common practice, no source",
        ("Neocaridina heteropoda", "Neocaridina denticulata sinensis"),
    ),
    _shrimp("Caridina multidentata", 18, 27, PRACTICE, ("Caridina japonica",)),
    _shrimp("Caridina cantonensis", 20, 25, PRACTICE),
)
