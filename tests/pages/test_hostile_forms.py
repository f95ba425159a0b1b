"""Wrong and hostile texts in every input of every form: never a defect, each named at its input."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from service import pages as templates
from service.app.app_factory import create_app
from service.config import HttpConfig
from service.pages.browser import csrf
from service.pages.log.fields import inputs_of
from service.registry.fields.log import KINDS
from service.registry.models import LogKind
from tests.api.conftest import context  # noqa: F401 - the application behind the pages
from tests.api.scenes import put

BRACES = "{} {0} {x} %s %d"
TEXTS = (
    "", BRACES, "9" * 400, "1e400", "5e-324", "NaN", "[]", "x" * 20_000, "\u0000", "\u202e", "0,5",
    "9999-13-45T99:99",
)  # fmt: skip
FEW = (BRACES, "9" * 400, "\u0000", "9999-13-45T99:99")
TEMPLATES = Path(templates.__file__).parent / "templates" / "pages"
NAMES = sorted(
    {
        name
        for file in TEMPLATES.glob("*.html")
        for name in re.findall(r'name="([a-z_]+)"', file.read_text(encoding="utf-8"))
    }
    | {"kind", "range", "next", "start", "end", "absence"}
)


@pytest.fixture
def visitor(context):  # noqa: F811 - the fixture above
    unlimited = HttpConfig(writes_per_minute=1_000_000, calculations_per_minute=1_000_000)
    app = create_app(replace(context, config=replace(context.config, http=unlimited)))
    client = app.test_client()
    put(client)
    page = client.get("/tanks/riffle").get_data(as_text=True)
    client.environ_base["HTTP_X_SECRET"] = re.search(
        rf'name="{csrf.FIELD}"[^>]*value="([^"]+)"', page
    ).group(1)
    return client


def sent(visitor, address, form):
    secret = visitor.environ_base["HTTP_X_SECRET"]
    return visitor.post(address, data=form | {csrf.FIELD: secret})


@pytest.mark.parametrize("kind", list(LogKind))
def test_no_input_of_the_log_form_can_be_so_wrong_that_it_is_a_defect(visitor, context, kind):  # noqa: F811
    tank = context.registry.tank("riffle")
    inputs = inputs_of(kind, tank)
    usual = {"kind": kind.value} | {
        one.name: one.start or next(iter(one.choices), "1") for one in inputs if one.required
    }
    usual |= dict.fromkeys(KINDS[kind].any_of[:1], "1")
    if not usual.keys() - {"kind"}:
        usual["note"] = "seen"
    taken = sent(visitor, "/tanks/riffle/log", usual).status_code
    assert taken == 303, kind
    names = ["time", "by", "note", "kind"]
    names += [name for one in inputs for name in (one.name, f"{one.name}_unit")]
    for name in names:
        for text in TEXTS:
            answer = sent(visitor, "/tanks/riffle/log", usual | {name: text})
            assert answer.status_code in (303, 422), (name, text[:40])
            if answer.status_code == 422:
                page = answer.get_data(as_text=True)
                assert "allowed" in page or "is missing" in page, (name, text[:40])
                assert len(page) < 400_000


def addresses(app, method):
    """Addresses of the pages that take a method, but of the log form."""
    for rule in app.url_map.iter_rules():
        other = "static" not in rule.rule and not rule.rule.endswith("/log")
        if rule.endpoint.startswith("pages.") and method in (rule.methods or ()) and other:
            yield rule.rule.replace("<tank>", "riffle").replace("<id>", "none")


def test_no_other_form_can_be_so_wrong_that_it_is_a_defect(visitor):
    found = list(addresses(visitor.application, "POST"))
    assert len(found) >= 5
    assert len(NAMES) > 8
    for address in found:
        for name in NAMES:
            for text in FEW:
                answer = sent(visitor, address, {name: text})
                assert answer.status_code < 500, (address, name, text[:40])


def test_no_option_of_a_page_can_be_so_wrong_that_it_is_a_defect(visitor):
    found = list(addresses(visitor.application, "GET"))
    assert len(found) >= 5
    for address in found:
        for text in FEW:
            for name in ("kind", "range", "next", "start", "end", "tank", "absence"):
                answer = visitor.get(address, query_string={name: text[:2000]})
                assert answer.status_code < 500, (address, name, text[:40])
