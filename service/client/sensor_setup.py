"""The part of the client that sets sensors up: topics, routes, calibrations; and deliveries."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from service.client.codec import options_of, tank_path, value_of
from service.client.connection import Connection
from service.client.sensor_values import (
    BrokerTraffic,
    Calibration,
    Delivery,
    KnownRoute,
    UndoneCalibration,
)


class SensorSetup(Connection):
    """How readings and change events get in and out."""

    def broker_topics(self, filter: str | None = None) -> BrokerTraffic:
        """What arrives at the broker now; the first question begins to listen.

        Args:
            filter: an MQTT topic filter, by default ``#``.
        """
        return value_of(BrokerTraffic, self.get("/v1/broker/topics", **options_of(filter=filter)))

    def routes(self) -> list[KnownRoute]:
        """All routes from topics to tanks, those of the configuration first."""
        return [value_of(KnownRoute, one) for one in self.get("/v1/routes")["routes"]]

    def add_route(self, topic: str, **members: Any) -> KnownRoute:
        """Make a route; a running ingester uses it within seconds.

        Args:
            members: of the API's JSON of a route, such as ``tank``, ``quantity``, ``unit``.
        """
        return value_of(KnownRoute, self.send("POST", "/v1/routes", {"topic": topic, **members}))

    def delete_route(self, id: str) -> KnownRoute:
        """Delete a route that was not made in the configuration; its readings stay."""
        return value_of(KnownRoute, self.send("DELETE", f"/v1/routes/{quote(id, safe='')}", None))

    def calibrations(self, tank: str) -> list[Calibration]:
        """The calibrations of a tank's sensors, newest first."""
        found = self.get(tank_path(tank, "calibrations"))["calibrations"]
        return [value_of(Calibration, one) for one in found]

    def undo_calibration(self, tank: str, entry: str) -> UndoneCalibration:
        """Take back a wrong calibration; the readings since are calculated without it."""
        path = tank_path(tank, f"calibrations/{quote(entry, safe='')}")
        return value_of(UndoneCalibration, self.send("DELETE", path, None))

    def deliveries(
        self, *, state: str | None = None, target: str | None = None, limit: int = 100
    ) -> list[Delivery]:
        """Deliveries to webhooks and by mail, newest first.

        Args:
            state: ``waiting``, ``delivered``, ``dead`` or ``skipped``.
            target: name of a webhook, or ``name/recipient`` of mail.
        """
        options = options_of(state=state, target=target, limit=limit)
        found = self.get("/v1/deliveries", **options)["deliveries"]
        return [value_of(Delivery, one) for one in found]

    def redeliver(self, id: int) -> Delivery:
        """Send a delivery that was given up again, as if for the first time."""
        return value_of(Delivery, self.send("POST", f"/v1/deliveries/{id}/redeliver", None))
