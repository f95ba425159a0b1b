"""A client of the API: one method per question, typed answers, problems as exceptions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, datetime
from typing import Any
from urllib.parse import quote

import requests

from service.client import stream
from service.client.codec import options_of, tank_path, text_of, value_of
from service.client.errors import ClientError
from service.client.handover import Handover, ReturnReport, SharingLink
from service.client.keeping import Keeping
from service.client.models import (
    Co2,
    Co2Point,
    Event,
    Light,
    Nutrients,
    Reading,
    Recommendation,
    Sensor,
    Temperature,
    WhatIf,
)
from service.client.observations import Observation, ObservationScale
from service.client.sensor_setup import SensorSetup
from service.client.trials import Trials


class Client(Keeping, SensorSetup, Trials):
    """The API of one running service.

    Every method raises ``ProblemError`` when the service refuses, ``UnreachableError`` when it
    does not answer, and ``ClientError`` when the answer cannot be understood.
    """

    def co2(self, tank: str) -> Co2:
        """Dissolved CO2 now."""
        return value_of(Co2, self.get(tank_path(tank, "co2")))

    def co2_series(
        self,
        tank: str,
        *,
        start: datetime | None = None,
        end: datetime | None = None,
        every: str | None = None,
    ) -> Iterator[Co2Point]:
        """Dissolved CO2 over time, all parts of the list."""
        options = options_of(start=start, end=end, every=every)
        for page in self._pages(tank_path(tank, "co2/series"), options):
            yield from (value_of(Co2Point, point) for point in page["points"])

    def light(self, tank: str, day: date | None = None) -> Light:
        """The light of one local day, by default today."""
        return value_of(Light, self.get(tank_path(tank, "light"), **options_of(date=day)))

    def temperature(self, tank: str) -> Temperature:
        """Temperature now."""
        return value_of(Temperature, self.get(tank_path(tank, "temperature")))

    def nutrients(
        self, tank: str, *, back: str | None = None, ahead: str | None = None
    ) -> Nutrients:
        """Estimated NO3, PO4, K and Fe.

        Args:
            back, ahead: length of their courses, such as ``30d``.
        """
        options = options_of(back=back, ahead=ahead)
        return value_of(Nutrients, self.get(tank_path(tank, "nutrients"), **options))

    def observations(
        self,
        tank: str,
        *,
        kind: str | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
    ) -> Iterator[Observation]:
        """What was seen on a scale of 0 to 5, newest first, all parts of the list."""
        options = options_of(kind=kind, start=start, end=end)
        for page in self._pages(tank_path(tank, "observations"), options):
            yield from (value_of(Observation, one) for one in page["observations"])

    def observation_scales(self) -> list[ObservationScale]:
        """What can be seen on a scale, and what each level means."""
        found = self.get("/v1/observations")["observations"]
        return [value_of(ObservationScale, one) for one in found]

    def what_if(self, tank: str, **changes: Any) -> WhatIf:
        """A settled day with other settings, beside today's; nothing is changed.

        Args:
            changes: members of the API's question, such as ``gas_start="08:00"``.
        """
        return value_of(WhatIf, self.send("POST", tank_path(tank, "what-if"), changes))

    def readings(
        self,
        tank: str,
        *,
        quantity: str | None = None,
        sensor: str | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
        every: str | None = None,
        aggregate: str | None = None,
    ) -> Iterator[Reading]:
        """Readings, oldest first, all parts of the list."""
        options = options_of(
            quantity=quantity,
            sensor=sensor,
            start=start,
            end=end,
            every=every,
            aggregate=aggregate,
        )
        for page in self._pages(tank_path(tank, "readings"), options):
            yield from (value_of(Reading, one) for one in page["readings"])

    def sensors(self, tank: str) -> list[Sensor]:
        """The sensors of a tank."""
        found = self.get(tank_path(tank, "sensors"))["sensors"]
        return [value_of(Sensor, one) for one in found]

    def recommendations(
        self, tank: str | None = None, *, state: str | None = None
    ) -> list[Recommendation]:
        """Recommendations, most urgent first; of one tank, or of all."""
        path = "/v1/recommendations" if tank is None else tank_path(tank, "recommendations")
        return [
            value_of(Recommendation, one)
            for page in self._pages(path, options_of(state=state))
            for one in page["recommendations"]
        ]

    def recommendation(self, id: str) -> Recommendation:
        """One recommendation."""
        return value_of(Recommendation, self.get(f"/v1/recommendations/{quote(id, safe='')}"))

    def mark(self, id: str, action: str, **body: Any) -> Recommendation:
        """Mark a recommendation.

        Args:
            action: ``done`` (with ``data`` for the log, ``note``, ``by``), ``snooze`` (with
                ``until`` or ``length``), ``dismiss`` or ``open``.
        """
        path = f"/v1/recommendations/{quote(id, safe='')}/{quote(action, safe='')}"
        return value_of(Recommendation, self.send("POST", path, body or None))

    def handover(
        self,
        *,
        start: datetime | date | None = None,
        end: datetime | date | None = None,
        absence: str | None = None,
        tank: str | None = None,
    ) -> Handover:
        """The handover sheet of a span, of an absence, or of the absence that is or comes next.

        Args:
            start, end: days (``end`` with it) or moments.
        """
        options = options_of(start=start, end=end, absence=absence, tank=tank)
        return value_of(Handover, self.get("/v1/handover", **options))

    def handover_return(
        self,
        *,
        start: datetime | date | None = None,
        end: datetime | date | None = None,
        absence: str | None = None,
        tank: str | None = None,
    ) -> ReturnReport:
        """The report on a span, on an absence, or on the absence that began last."""
        options = options_of(start=start, end=end, absence=absence, tank=tank)
        return value_of(ReturnReport, self.get("/v1/handover/return", **options))

    def create_sharing_link(
        self,
        tank: str,
        *,
        days: int | None = None,
        absence: str | None = None,
        expires: datetime | None = None,
        name: str = "",
        may_report: bool = False,
    ) -> SharingLink:
        """Make a link that shows a tank's handover sheet to whoever has it.

        Args:
            days: what the sheet covers, from now on; or the span of an ``absence``; without both
                the absence that is or comes next.
            expires: default: the end of the sheet.
            name: who it is for.
            may_report: whoever has it may also report what was done, which is logged under the
                name.
        """
        length = None if days is None else f"P{days}D"
        body = {
            "tank": tank,
            "length": length,
            "absence": absence,
            "expires": text_of(expires),
            "name": name,
            "may_report": may_report or None,
        }
        sent = {name: value for name, value in body.items() if value not in (None, "")}
        return value_of(SharingLink, self.send("POST", "/v1/shares", sent))

    def sharing_links(self, tank: str | None = None) -> list[SharingLink]:
        """All sharing links that there ever were, oldest first."""
        found = self.get("/v1/shares", **options_of(tank=tank))["shares"]
        return [value_of(SharingLink, one) for one in found]

    def revoke_sharing_link(self, id: str) -> SharingLink:
        """End a sharing link at once."""
        return value_of(SharingLink, self.send("DELETE", f"/v1/shares/{quote(id, safe='')}", None))

    def events(
        self,
        tank: str | None = None,
        *,
        readings: bool = False,
        lost: Callable[[ClientError], None] = lambda _: None,
    ) -> Iterator[Event]:
        """The event stream, without end; connects again when the connection is lost.

        Args:
            tank: only of this tank.
            readings: also each sensor's newest reading, first those that are there.
            lost: called whenever the connection is lost; an event ``listening`` follows when
                there is one again.

        Raises:
            ClientError: there is no first connection, or the service refuses.
        """
        options = options_of(tank=tank, readings="true" if readings else None)

        def connect(seen: int | None) -> requests.Response:
            headers = {"Accept": stream.MEDIA_TYPE}
            if seen is not None:
                headers["Last-Event-ID"] = str(seen)
            return self._response(
                "GET", "/v1/events", params=options, headers=headers, stream=True,
                timeout=(self._timeout_s, stream.SILENCE_S),
            )  # fmt: skip

        return stream.follow(connect, lost, stream.pause)
