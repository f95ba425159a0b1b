"""Times as people read them: in the tank's own zone, with UTC in the title."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from markupsafe import Markup

from service.local_words import clock_words, span_words
from service.times import from_us

MINUTE = timedelta(minutes=1)
AT_ONCE = 10 * MINUTE


@dataclass(frozen=True, slots=True)
class LocalTime:
    """Writes local_time for a reader in one zone at one present moment.

    Attributes:
        zone_name: IANA name.
        now: UTC.
    """

    zone_name: str
    now: datetime

    @property
    def zone(self) -> ZoneInfo:
        """The zone itself."""
        return ZoneInfo(self.zone_name)

    @property
    def zone_words(self) -> str:
        """The zone's name for a reader: ``Europe/Lisbon``."""
        return self.zone_name.replace("_", " ")

    def local(self, moment: datetime) -> datetime:
        """The moment in the zone."""
        return moment.astimezone(self.zone)

    def clock_words(self, moment: datetime) -> str:
        """``15:10``, with the day before it where that is not today."""
        return clock_words(moment, self.zone_name, self.now)

    def at(self, moment: datetime | None) -> Markup:
        """A moment as a ``time`` element."""
        if moment is None:
            return Markup("")
        return self._element(moment, self.clock_words(moment))

    def ago(self, moment: datetime | None) -> Markup:
        """How long ago a moment was, as a ``time`` element."""
        if moment is None:
            return Markup("never")
        return self._element(moment, ago_words(self.now - moment))

    def ago_us(self, time_us: int) -> Markup:
        """The same of integer microseconds."""
        return self.ago(from_us(time_us))

    def due(self, moment: datetime | None) -> Markup:
        """By when: ``by 17:30``, ``now``, ``was due yesterday 18:00``."""
        if moment is None:
            return Markup("no hurry")
        if abs(moment - self.now) < AT_ONCE:
            return self._element(moment, "now")
        word = "by" if moment > self.now else "was due"
        return Markup("{} {}").format(word, self.at(moment))

    def field(self, moment: datetime) -> str:
        """A moment for an input of type ``datetime-local``."""
        return f"{self.local(moment):%Y-%m-%dT%H:%M}"

    def date_words(self, moment: datetime) -> str:
        """The day: ``Wed 15 Apr 2026``."""
        local = self.local(moment)
        return f"{local:%a} {local.day} {local:%b %Y}"

    def last_date_words(self, end: datetime) -> str:
        """The last day that something with this end includes."""
        return self.date_words(end - timedelta(microseconds=1))

    def stamp(self, moment: datetime) -> Markup:
        """``Wed 15 Apr 15:10`` as a ``time`` element, also of today."""
        local = self.local(moment)
        return self._element(moment, f"{local:%a} {local.day} {local:%b} {local:%H:%M}")

    def date_field(self, moment: datetime, *, last: bool = False) -> str:
        """The day for an input of type ``date``; of an end, the last day that it includes."""
        shown = self.local(moment - timedelta(microseconds=1) if last else moment)
        return f"{shown:%Y-%m-%d}"

    def from_field(self, text: str) -> datetime:
        """The moment, UTC, that such an input means.

        Raises:
            ValueError: it is no date with a time.
        """
        naive = datetime.fromisoformat(text)
        aware = naive if naive.tzinfo else naive.replace(tzinfo=self.zone)
        return aware.astimezone(UTC)

    def next_clock(self, hour: int, days: int = 1) -> datetime:
        """The moment, UTC, at which it is ``hour`` o'clock here so many days on."""
        day = self.local(self.now).date() + timedelta(days=days)
        return datetime(day.year, day.month, day.day, hour, tzinfo=self.zone).astimezone(UTC)

    def _element(self, moment: datetime, words: str) -> Markup:
        utc = moment.astimezone(UTC)
        return Markup('<time datetime="{}" title="{} UTC">{}</time>').format(
            f"{utc:%Y-%m-%dT%H:%M:%SZ}", f"{utc:%Y-%m-%d %H:%M}", words
        )


def ago_words(length: timedelta) -> str:
    """``just now``, ``12 min ago``, ``3 h ago``, ``2 days ago``."""
    if length < 2 * MINUTE:
        return "just now"
    return f"{span_words(length)} ago"
