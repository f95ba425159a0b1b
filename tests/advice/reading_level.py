"""How hard a text is to read: for somebody of 14 who reads English, perhaps as a third language.

The grade is the Automated Readability Index, 4.71 letters per word + 0.5 words per sentence - 21.43
(Smith & Senter 1967, AMRL-TR-66-220, Wright-Patterson Air Force Base), computed by textstat.
Pupils of grade 9 in American schools are 14 to 15 years old. The index knows no words, only their
length, and numbers count as short words; so the longest sentence has a limit of its own, 25 words
(our choice).

Scientific names, which nobody can write in an easier way, count as the word "fish".
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from typing import Final

from service.registry.species.table import ANIMALS, PLANTS

GRADE: Final = 9.0
WORDS: Final = 25
FEWEST: Final = 15
"""The index is made for passages: of fewer words than these it says nothing. Our choice. Titles are
measured with their actions."""

_SENTENCE: Final = re.compile(r"(?<=[.!?])\s+(?=[A-Z0-9])")


def check_easy_to_read(texts: Iterable[str]) -> None:
    """Each of the texts, as it is shown."""
    hard = {text: why for text in dict.fromkeys(texts) if (why := hardness(text))}
    assert not hard, hard


@cache
def hardness(text: str) -> str:
    """What makes a text too hard; "" where nothing does."""
    plain = _names().sub("fish", text)
    found = []
    if len(plain.split()) >= FEWEST and (grade := grade_of(plain)) > GRADE:
        found.append(f"grade {grade:.1f}")
    longest = max(_SENTENCE.split(plain), key=lambda one: len(one.split()))
    if len(longest.split()) > WORDS:
        found.append(f"{len(longest.split())} words: {longest}")
    return "; ".join(found)


def grade_of(text: str) -> float:
    """The Automated Readability Index."""
    from textstat import textstat  # not by every process that collects tests

    return float(textstat.automated_readability_index(text))


@cache
def _names() -> re.Pattern[str]:
    names = [one.name for one in (*ANIMALS, *PLANTS)]
    return re.compile("|".join(map(re.escape, sorted(names, key=len, reverse=True))))
