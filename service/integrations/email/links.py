"""The links in mail: to a tank's page or its sheet, and to end the mail."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from service.advice.handover.absence import present_or_next
from service.config import RecipientOptions
from service.integrations.email.contents import Day
from service.integrations.email.unsubscribe import address_of
from service.registry.models.access import ShareLink
from service.registry.models.tank import Tank
from service.registry.registry import Registry

LASTS: Final = timedelta(days=2)
"""A sharing link in a mail works for so long: until the next day's mail has come. Our choice."""


class Links:
    """Makes the links of mail; without a public address they are left out."""

    def __init__(self, registry: Registry, public_url: str) -> None:
        """Use the address under which people reach the service; "" where there is none."""
        self._registry = registry
        self._base = public_url.rstrip("/")

    def linked(
        self, day: Day, recipient: RecipientOptions, now: datetime, made: list[ShareLink]
    ) -> Day:
        """A day's work on a tank with its link; a sharing link is added to ``made``."""
        return replace(day, link=self.of_tank(day.tank, recipient, now, made))

    def of_tank(
        self, tank: Tank, recipient: RecipientOptions, now: datetime, made: list[ShareLink]
    ) -> str:
        """The link to a tank's page, or to its sheet where the recipient gets a sharing link."""
        if not self._base:
            return ""
        if recipient.share == "none":
            return f"{self._base}/tanks/{tank.id}"
        present = present_or_next(self._registry.absences(), now, tank.id)
        away = present is not None and present.start <= now
        start, end = (present.start, present.end) if present and away else (now, now + LASTS)
        link, secret = self._registry.create_share(
            tank.id,
            start,
            end,
            now,
            expires=now + LASTS,
            name=recipient.name,
            may_report=recipient.share == "report",
        )
        made.append(link)
        return f"{self._base}/shared/{secret}"

    def take_back(self, made: Iterable[ShareLink], now: datetime) -> None:
        """End the sharing links of a mail that was not sent."""
        for link in made:
            self._registry.revoke_share(link.id, now)

    def stop(self, target: str) -> str:
        """The link that ends the mail to a recipient."""
        return address_of(self._registry, self._base, target) if self._base else ""

    def one_click(self, target: str) -> str:
        """The same for mail programs, which need https (RFC 8058); "" without."""
        return self.stop(target) if self._base.startswith("https:") else ""
