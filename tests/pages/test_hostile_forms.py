"""Wrong and hostile texts in every input of every form: never a defect, each named at its input."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest
from flask import Request
from werkzeug.datastructures import ImmutableMultiDict

from service import pages as templates
from service.app.app_factory import create_app
from service.config import HttpConfig
from service.pages.browser import csrf
from service.pages.log.fields import inputs_of
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogKind
from tests.api.conftest import context  # noqa: F401 - the application behind the pages
from tests.api.scenes import put

BRACES = "{} {0} {x} %s %d"
TEXTS = (
    "", BRACES, "9" * 400, "1e400", "5e-324", "NaN", "[]", "x" * 20_000, "\u0000", "\u202e", "0,5",
    "9999-13-45T99:99",
)  # fmt: skip
ALWAYS = ("time", "by", "note", "kind")
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


EVERY = "*"


class NoticedForm(ImmutableMultiDict):
    """A form that keeps in mind which of its inputs a view looks at."""

    read: ClassVar[set[str]] = set()

    def get(self, key, *more, **options):
        self.read.add(key)
        return super().get(key, *more, **options)

    def getlist(self, key, *more, **options):
        self.read.add(key)
        return super().getlist(key, *more, **options)

    def __getitem__(self, key):
        self.read.add(key)
        return super().__getitem__(key)

    def __contains__(self, key):
        self.read.add(key)
        return super().__contains__(key)

    def __iter__(self):
        self.read.add(EVERY)
        return super().__iter__()

    def keys(self):
        self.read.add(EVERY)
        return super().keys()

    def values(self):
        self.read.add(EVERY)
        return super().values()

    def items(self, multi=False):
        self.read.add(EVERY)
        return super().items(multi)

    def lists(self):
        self.read.add(EVERY)
        return super().lists()

    def to_dict(self, flat=True):
        self.read.add(EVERY)
        return super().to_dict(flat)


class NoticingRequest(Request):
    """A request with such a form."""

    parameter_storage_class = NoticedForm


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


def first_of_their_sort(tank):
    """The inputs of the log form that get all texts: of a sort that no kind before has.

    What is read by the same code with the same units is of one sort; the others get a few texts.
    """
    found, seen = {kind: set() for kind in LogKind}, set()
    for kind in LogKind:
        for name in ALWAYS:
            found[kind] |= {name} - seen
        seen.update(ALWAYS)
        for one in inputs_of(kind, tank):
            fields = [KINDS[kind].fields.get(name) for name in one.fields.values()]
            sort = (*map(type, fields), *one.fields, *one.choices)
            units = ("units", *(one.unit_choices or ()))
            if sort not in seen:
                found[kind].add(one.name)
            if units not in seen:
                found[kind].add(f"{one.name}_unit")
            seen.update((sort, units))
    assert len(seen) > 20
    return found


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
    names = [*ALWAYS, *(name for one in inputs for name in (one.name, f"{one.name}_unit"))]
    first = first_of_their_sort(tank)[kind]
    for name in names:
        for text in TEXTS if name in first else FEW:
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
    visitor.application.request_class, read = NoticingRequest, NoticedForm.read
    noticed = set()
    for address in found:
        read.clear()
        for name in NAMES:
            for text in FEW:
                answer = sent(visitor, address, {name: text})
                assert answer.status_code < 500, (address, name, text[:40])
                if not read & {name, EVERY}:
                    break  # the view never looks at it: another text of it is the same request
        noticed |= read
    assert {csrf.FIELD, EVERY, "next", "tank", "secret"} <= noticed, "what views read is noticed"


def test_no_option_of_a_page_can_be_so_wrong_that_it_is_a_defect(visitor):
    found = list(addresses(visitor.application, "GET"))
    assert len(found) >= 5
    for address in found:
        for text in FEW:
            for name in ("kind", "range", "next", "start", "end", "tank", "absence"):
                answer = visitor.get(address, query_string={name: text[:2000]})
                assert answer.status_code < 500, (address, name, text[:40])
