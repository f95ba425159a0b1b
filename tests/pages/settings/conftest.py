"""Pages as a browser without script meets them: a client that fills in what the forms show."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import unescape
from html.parser import HTMLParser
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.registry.models.access import Scope
from tests.api.conftest import app, client, context, made  # noqa: F401 - what is behind the pages


class Forms(HTMLParser):
    """The forms of a page: for each its action and what its inputs hold, by name."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self._area = ""
        self._select = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take an input as a browser would send it."""
        at = dict(attrs)
        name = at.get("name") or ""
        if tag == "form":
            self.found.append((at.get("action") or "", {}))
        elif tag == "input" and name and self.found:
            ticked = at.get("type") != "checkbox" or "checked" in at
            if ticked:
                self.found[-1][1][name] = at.get("value") or ""
        elif tag == "select" and self.found:
            self._select = name
            self.found[-1][1].setdefault(name, "")
        elif tag == "option" and self._select and "selected" in at:
            self.found[-1][1][self._select] = at.get("value") or ""
        elif tag == "textarea":
            self._area = name

    def handle_endtag(self, tag: str) -> None:
        """Leave a select or a textarea."""
        if tag == "select":
            self._select = ""
        elif tag == "textarea":
            self._area = ""

    def handle_data(self, data: str) -> None:
        """The text of a textarea."""
        if self._area:
            self.found[-1][1][self._area] = data


@dataclass
class Visitor:
    """Opens pages and sends their forms with some inputs changed."""

    client: FlaskClient
    headers: dict[str, str]

    def get(self, address: str) -> str:
        """A page, which must be there."""
        answer = self.client.get(address, headers=self.headers)
        assert answer.status_code == 200, (address, answer.get_data(as_text=True)[:500])
        return answer.get_data(as_text=True)

    def form(self, address: str, action: str, **holding: str) -> dict[str, str]:
        """What the form with an action holds; of several, the one that holds some values."""
        for at, inputs in Forms(self.get(address)).found:
            if at == action and holding.items() <= inputs.items():
                return inputs
        raise AssertionError(f"no such form: {action} {holding}")

    def send(self, action: str, inputs: dict[str, Any]) -> tuple[int, str]:
        """The status and the page that a form leads to."""
        answer = self.client.post(action, data=inputs, headers=self.headers)
        status = answer.status_code
        if status == 303:
            answer = self.client.get(answer.headers["Location"], headers=self.headers)
            assert answer.status_code == 200, answer.get_data(as_text=True)[:500]
        return status, answer.get_data(as_text=True)

    def save(self, tank: str, section: str, **changes: str) -> tuple[int, str]:
        """Change some inputs of a section of the settings and save it; ``__`` stands for a dot."""
        address = f"/tanks/{tank}/settings"
        inputs = self.form(address, address, section=section)
        named = {name.replace("__", "."): text for name, text in changes.items()}
        unknown = {name for name in named if name not in inputs and not name.endswith(".remove")}
        assert not unknown, unknown
        return self.send(address, inputs | named)


def faults(page: str) -> list[str]:
    """What a page says is wrong, as text."""
    found = re.findall(r'<p class="fault"[^>]*>(.*?)</p>', page, re.DOTALL)
    texts = [unescape(re.sub(r"<[^>]+>", "", one)).strip() for one in found]
    return [text for text in texts if text]


def fault_at(page: str, name: str) -> str:
    """What is said to be wrong beside an input."""
    id = name.replace(".", "-")
    match = re.search(rf'<p class="fault" id="{id}-fault">(.*?)</p>', page, re.DOTALL)
    assert match, f"no fault at {name}: {faults(page)}"
    return unescape(re.sub(r"<[^>]+>", "", match[1]))


@pytest.fixture
def visitor(client):  # noqa: F811 - the fixture above
    return Visitor(client, {})


@pytest.fixture
def reader(context, client):  # noqa: F811 - the fixtures above
    """Somebody with a token that may only read."""
    _, secret = context.registry.create_token("reader", Scope.READ, context.clock.now())
    return Visitor(client, {"Authorization": f"Bearer {secret}"})
