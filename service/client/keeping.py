"""The part of the client that sets tanks up and changes what is planned: tanks, absences, log."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from service.client.codec import options_of, tank_of, tank_path, text_of, value_of
from service.client.errors import ClientError
from service.client.handover import Absence
from service.client.models import LogEntry, Tank
from service.client.pictures import Pictures


class Keeping(Pictures):
    """What a tank keeper writes down."""

    def tanks(self) -> list[Tank]:
        """All tanks, by id."""
        pages = self._pages("/v1/tanks", {})
        return [tank_of(one) for page in pages for one in page["tanks"]]

    def tank(self, tank: str) -> Tank:
        """One tank."""
        return tank_of(self.get(tank_path(tank)))

    def create_tank(self, tank: str, document: Mapping[str, Any]) -> Tank:
        """Register a new tank; the document is the API's JSON of a tank."""
        return tank_of(self.send("PUT", tank_path(tank), document, **{"If-None-Match": "*"}))

    def put_tank(self, tank: str, document: Mapping[str, Any]) -> Tank:
        """Register a tank, or replace one; the document is the API's JSON of a tank."""
        return tank_of(self.send("PUT", tank_path(tank), document))

    def change_tank(self, tank: str, changes: Mapping[str, Any]) -> Tank:
        """Change some members of a tank: those given replace, None takes the default again."""
        return tank_of(self.send("PATCH", tank_path(tank), changes))

    def edit_tank(self, tank: str, change: Callable[[Any], Mapping[str, Any]]) -> Tank:
        """Change a tank by what is there, which nobody else changes meanwhile.

        Args:
            change: the tank's JSON -> its changed members.
        """
        return tank_of(self.edit(tank_path(tank), "PATCH", change))

    def delete_tank(self, tank: str, *, readings: str = "keep") -> None:
        """Delete a tank with its log and its recommendations.

        Args:
            readings: ``keep`` them in the store, or ``delete`` them too.
        """
        self._response("DELETE", tank_path(tank), params=options_of(readings=readings))

    def log(self, tank: str, *, kind: str | None = None, limit: int = 100) -> list[LogEntry]:
        """The newest entries of a tank's log."""
        options = options_of(kind=kind, limit=limit)
        return [
            value_of(LogEntry, one)
            for one in self.get(tank_path(tank, "log"), **options)["entries"]
        ]

    def add_log(
        self,
        tank: str,
        kind: str,
        data: Mapping[str, Any] | None = None,
        *,
        time: datetime | None = None,
        note: str = "",
        by: str = "",
        id: str | None = None,
        pictures: Sequence[Path | str | bytes] = (),
    ) -> LogEntry:
        """Add a log entry; under an ``id`` of your own it is stored once.

        Args:
            pictures: photographs of it: files, or their bytes.

        Raises:
            OSError: a file cannot be read.
        """
        body = {"kind": kind, "data": data, "time": text_of(time), "note": note, "by": by, "id": id}
        sent = {name: value for name, value in body.items() if value not in (None, "")}
        path = tank_path(tank, "log")
        if pictures:
            form = self.send_form(tank_path(tank, "pictures"), {"entry": sent}, pictures)
            return value_of(LogEntry, form)
        return value_of(LogEntry, self.send("POST", path, sent))

    def delete_log(self, tank: str, entry: str) -> None:
        """Delete a log entry that was written by mistake."""
        self._response("DELETE", tank_path(tank, f"log/{quote(entry, safe='')}"))

    def absences(self) -> list[Absence]:
        """The planned absences of the tank keeper, earliest first."""
        return [value_of(Absence, one) for one in self.get("/v1/absences")["absences"]]

    def add_absence(
        self,
        start: datetime,
        end: datetime,
        *,
        covers: str = "",
        tanks: Sequence[str] = (),
        note: str = "",
        contact: str = "",
    ) -> Absence:
        """Plan an absence.

        Args:
            covers: who looks after the tanks.
            tanks: ids; empty: all.
            contact: how the tank keeper can be reached meanwhile.
        """
        new = {
            "start": text_of(start),
            "end": text_of(end),
            "covers": covers,
            "tanks": list(tanks),
            "note": note,
            "contact": contact,
        }
        before: set[str] = set()

        def add(document: Any) -> Any:
            before.update(one["id"] for one in document["absences"])
            return {"absences": [*document["absences"], new]}

        found = self.edit("/v1/absences", "PUT", add)["absences"]
        (made,) = (one for one in found if one["id"] not in before)
        return value_of(Absence, made)

    def end_absence(self, id: str, at: datetime) -> Absence | None:
        """End an absence at a moment; one that has not begun by then is taken off the list.

        Returns:
            The absence as it is now; None: it is no more.

        Raises:
            ClientError: there is no absence of the id.
        """

        def end(document: Any) -> Any:
            return {"absences": list(_ended(document["absences"], id, at))}

        found = self.edit("/v1/absences", "PUT", end)["absences"]
        return next((value_of(Absence, one) for one in found if one["id"] == id), None)


def _ended(absences: Sequence[Any], id: str, at: datetime) -> list[Any]:
    """The list with one of them ended at a moment, or without it where it had not begun."""
    known = [one["id"] for one in absences]
    if id not in known:
        raise ClientError(f"absence is {id!r}; allowed: {', '.join(known) or 'none is planned'}")
    left = []
    for one in absences:
        if one["id"] != id:
            left.append(one)
        elif datetime.fromisoformat(one["start"]) < at:
            left.append(one | {"end": text_of(at)})
    return left
