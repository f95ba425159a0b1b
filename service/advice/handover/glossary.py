"""Words of the trade, each explained in a sentence to who looks after a tank for somebody else."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Word:
    """A word of the trade.

    Attributes:
        term: as it is explained.
        sentence: what it means.
        pattern: finds it, in the forms in which it occurs.
    """

    term: str
    sentence: str
    pattern: str

    def __str__(self) -> str:
        return f"{self.term}: {self.sentence}"


GLOSSARY: Final = (
    Word(
        "air stone",
        "a small rough stone on the hose of an air pump. It lets air bubble through the water.",
        r"air stones?",
    ),
    Word("buffer", "a liquid of known pH, to check the pH probe with.", r"buffers?"),
    Word(
        "calibrate",
        "to check a sensor against a known value and set it right.",
        r"calibrat\w+",
    ),
    Word("chlorine", "it is in tap water to kill germs, and harms fish.", r"chlorine"),
    Word(
        "CO2",
        "carbon dioxide, a gas. It is let into the water to feed the plants. Too much of it "
        "suffocates animals and people.",
        r"CO2",
    ),
    Word(
        "CO2 cylinder",
        "the metal bottle with the gas, under high pressure. The regulator on it lowers the "
        "pressure; the needle valve sets how much flows.",
        r"cylinders?|regulators?|needle valves?",
    ),
    Word(
        "copper", "a metal that some water pipes are made of. Traces of it kill shrimps.", r"copper"
    ),
    Word(
        "dose",
        "a measured amount of fertiliser, which is plant food. Give each dose once.",
        r"dos(e|es|ed|ing)|fertilisers?|stock solution",
    ),
    Word(
        "filter",
        "the pump that cleans the water. The filter outlet is the pipe end where the clean water "
        "comes back; the media are the sponges and rings inside.",
        r"filter(s|ed)?|filter media|media|outlet",
    ),
    Word("GH", "how much lime is in the water. A test kit shows it in °dGH.", r"GH|°?dGH"),
    Word("heater", "the glass or metal rod that warms the water.", r"heater'?s?"),
    Word(
        "Hydra",
        "a very small animal with arms that sting, seen on glass or wood. It does people no harm.",
        r"Hydra",
    ),
    Word(
        "KH",
        "how well the water keeps its acidity steady. A test kit shows it in degrees, °dKH.",
        r"KH|°?dKH|[Cc]arbonate hardness",
    ),
    Word(
        "litre", "1 L is about the water of a large bottle. 1 mL is a thousandth of it.", r"m?L|ml"
    ),
    Word(
        "local codes, licensed practice",
        "the rules for gas and electricity where you live, and people trained to work on them.",
        r"local codes|licensed",
    ),
    Word("mains", "the electricity from the socket in the wall.", r"[Mm]ains"),
    Word("mg/L", "milligrams in a litre of water.", r"mg/L"),
    Word("pH", "how sour the water is: 7 is neutral, less is sour.", r"pH"),
    Word(
        "pre-filter",
        "the sponge in front of the filter, which catches the coarse dirt.",
        r"pre-?filter",
    ),
    Word("probe", "the part of a sensor that hangs in the water.", r"probes?|sensors?"),
    Word("reagent", "the drops of a test kit.", r"reagents?"),
    Word(
        "reverse-osmosis water",
        "tap water from which nearly all salts were filtered.",
        r"reverse[- ]osmosis",
    ),
    Word("siphon", "to draw water out with a hose that runs down into a bucket.", r"[Ss]iphon\w*"),
    Word(
        "solenoid valve", "a valve that a plug in a socket opens and shuts.", r"solenoid( valves?)?"
    ),
    Word("substrate", "the soil or gravel on the bottom of the tank.", r"[Ss]ubstrate"),
    Word("tank keeper", "whose tank it is, or who looks after it else.", r"tank keeper'?s?"),
    Word("trim", "to cut plants back.", r"[Tt]rim\w*|cuttings"),
    Word(
        "water conditioner",
        "a liquid from a bottle that makes tap water safe for fish. Its label says how much.",
        r"water conditioner",
    ),
)


def words_in(texts: Iterable[str]) -> list[Word]:
    """The words of the trade that occur in texts, in the order of the alphabet."""
    whole = "\n".join(texts)
    return [one for one in GLOSSARY if re.search(rf"(?<!\w)({one.pattern})(?!\w)", whole)]
