"""Pictures of log entries, for the client: sent as files, fetched as JPEG."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from service.client.codec import options_of, tank_path, value_of
from service.client.connection import Connection
from service.client.models import Picture

PATIENCE_S: Final = 180.0
"""A request with pictures is waited for so long: each has to be read. Our choice."""


class Pictures(Connection):
    """Photographs of what was done or seen."""

    def pictures(
        self,
        tank: str,
        *,
        start: datetime | None = None,
        end: datetime | None = None,
    ) -> Iterator[Picture]:
        """The pictures of a tank, of the newest entry first, all parts of the list.

        Args:
            start, end: only of entries with start <= time < end.
        """
        for page in self._pages(tank_path(tank, "pictures"), options_of(start=start, end=end)):
            yield from (value_of(Picture, one) for one in page["pictures"])

    def add_pictures(
        self, tank: str, entry: str, pictures: Sequence[Path | str | bytes]
    ) -> list[Picture]:
        """Add pictures to a log entry, from files or as bytes; answers with all that it has.

        Raises:
            OSError: a file cannot be read.
        """
        path = tank_path(tank, f"log/{quote(entry, safe='')}/pictures")
        found = self.send_form(path, {}, pictures)["pictures"]
        return [value_of(Picture, one) for one in found]

    def picture(self, tank: str, id: str, *, thumbnail: bool = False) -> bytes:
        """A picture, or its thumbnail, as JPEG."""
        path = tank_path(tank, f"pictures/{quote(id, safe='')}")
        return self._response("GET", f"{path}/thumbnail" if thumbnail else path).content

    def delete_picture(self, tank: str, id: str) -> None:
        """Delete a picture; its log entry stays."""
        self._response("DELETE", tank_path(tank, f"pictures/{quote(id, safe='')}"))

    def send_form(
        self, path: str, documents: dict[str, Any], pictures: Sequence[Path | str | bytes]
    ) -> Any:
        """The JSON that a path answers to a form of JSON documents and pictures."""
        parts: list[tuple[str, tuple[str | None, bytes, str]]] = [
            (name, (None, json.dumps(document).encode(), "application/json"))
            for name, document in documents.items()
        ]
        for number, one in enumerate(pictures):
            data = one if isinstance(one, bytes) else Path(one).read_bytes()
            parts.append(("picture", (f"{number}", data, "application/octet-stream")))
        return self._answer("POST", path, files=parts, timeout=PATIENCE_S)
