"""Wrong and hostile values for every member, option and header that the OpenAPI document has.

Each operation is asked with one member wrong at a time. The answer is never a defect (5xx), and
what is refused is refused by a problem that names the member, its value and what is allowed.
"""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from urllib.parse import quote

import pytest

from service.api.http.openapi import spec_of
from service.app.app_factory import create_app
from service.config import HttpConfig
from tests.api.scenes import day_of_readings, put

BRACES = "{} {0} {x} %s %d"
LONG = "x" * 60_000
FEW = (None, BRACES, 10**399)
MANY = (
    *FEW, 5e-324, True, -1, 1e308, 1e400, float("nan"), "", "\u0000", "\ud800", LONG, [], {},
    [[[]]],
    {"{}": "%s"}, {"value": BRACES, "unit": BRACES}, {"value": 10**399, "unit": "L"},
    {"low": None, "high": None, "unit": "L"}, {"low": 2, "high": 1, "unit": {}},
)  # fmt: skip
TEXTS = (
    "", "null", BRACES, LONG[:2000], "9" * 400, "-1", "1e400", "NaN", "true", "\u0000", "\u202e",
    "2025-13-45T99:99:99Z", "9999-12-31T23:59:59Z", "-P1D", "P99999999999D", "*",
    ",".join(['W/"a"'] * 2000),
)  # fmt: skip


class Document:
    """The OpenAPI document as what bodies may be made of."""

    def __init__(self, spec):
        self._schemas = spec["components"]["schemas"]

    def resolved(self, schema):
        while "$ref" in schema:
            schema = self._schemas[schema["$ref"].rsplit("/", 1)[1]]
        return schema

    def choices(self, schema):
        """The schema, or those that it is one of; those of units are one."""
        schema = self.resolved(schema)
        if "properties" in schema:
            return [schema]
        found = [self.resolved(one) for one in (*schema.get("oneOf", ()), *schema.get("anyOf", ()))]
        return [one for one in found if one.get("type") != "null"] or [schema]

    def sample(self, schema):
        """A value with all members that fits the schema, apart from what members say together."""
        schema = self.choices(schema)[0]
        kind = schema.get("type")
        if isinstance(kind, list):
            kind = next(one for one in kind if one != "null")
        if "examples" in schema:
            return copy.deepcopy(schema["examples"][0])
        if "enum" in schema:
            return schema["enum"][0]
        if "properties" in schema:
            return self._object(schema)
        if kind == "array":
            items = max(1, schema.get("minItems", 1))
            return [self.sample(schema.get("items", {})) for _ in range(items)]
        if kind == "object":
            return {}
        if kind == "boolean":
            return True
        if kind == "string":
            return self._text(schema)
        return self._number(schema)

    def _object(self, schema):
        found = {
            name: self.sample(one)
            for name, one in schema["properties"].items()
            if not self.resolved(one).get("readOnly")
        }
        if {"low", "high"} <= found.keys():
            found["high"] = found["low"] + 1
        by_unit = [one for one in schema.get("oneOf", ()) if "value" in one.get("properties", ())]
        if by_unit and "value" in found:
            found["value"] = self._number(by_unit[0]["properties"]["value"])
        return found

    @staticmethod
    def _text(schema):
        pattern = schema.get("pattern", "")
        if schema.get("format") == "date-time":
            return "2025-06-01T10:00:00Z"
        if schema.get("format") == "date":
            return "2025-06-01"
        if "P(?=" in pattern:
            return "PT6H"
        return "10:30" if "[0-5][0-9]" in pattern else "riffle"

    @staticmethod
    def _number(schema):
        low = schema.get("minimum", schema.get("exclusiveMinimum", 1))
        number = min(max(low, 1) + 1, schema.get("maximum", 10))
        return int(number) if schema.get("type") == "integer" else number

    def members(self, schema, at=()):
        """Path and schema of every member within, items of lists by their number."""
        for one in self.choices(schema):
            for name, inner in one.get("properties", {}).items():
                if not self.resolved(inner).get("readOnly"):
                    yield (*at, name), inner
                    yield from self.members(inner, (*at, name))
            if "items" in one:
                yield (*at, 0), one["items"]
                yield from self.members(one["items"], (*at, 0))


def changed(body, path, value):
    """The body with another value at a path; None where the body has no such place."""
    body = copy.deepcopy(body)
    place = body
    for part in path[:-1]:
        if not isinstance(place, dict | list) or (isinstance(place, dict) and part not in place):
            return None
        place = place[part]
    if not isinstance(place, dict | list):
        return None
    place[path[-1]] = value
    return body


def text_of(body):
    """JSON text, also of what is none: NaN, and numbers beyond the largest."""
    return json.dumps(body).replace("Infinity", "1e400").encode()


def operations(spec):
    """Each operation with its parameters."""
    for path, item in spec["paths"].items():
        for method, operation in item.items():
            if method != "parameters":
                parameters = [*item.get("parameters", ()), *operation.get("parameters", ())]
                yield method.upper(), path, operation, parameters


def address_of(path):
    """The address of a path on a tank that is there."""
    for name, text in {"tank": "riffle", "id": "1", "entry": "one", "secret": "none"}.items():
        path = path.replace(f"{{{name}}}", text)
    return path


def bodies(document, spec):
    """Address and media type, all members, a body that fits, and each member with its schema."""
    put = next(iter(spec["paths"]["/v1/tanks/{tank}"]["put"]["requestBody"]["content"].values()))
    for method, path, operation, _ in operations(spec):
        for kind, content in operation.get("requestBody", {}).get("content", {}).items():
            schema = put["schema"] if method == "PATCH" else content["schema"]
            for number, one in enumerate(document.choices(schema)):
                whole = document.sample(one)
                if not isinstance(whole, dict):
                    continue
                needed = {name: whole[name] for name in one.get("required", ())}
                example = content.get("example") if number == 0 else None
                members = list(document.members(one))
                if method == "PATCH":  # what is within them is read as for PUT
                    members = [member for member in members if len(member[0]) == 1]
                yield method, path, kind, whole, example or needed, members


@pytest.fixture
def hostile(context):
    unlimited = HttpConfig(writes_per_minute=1_000_000, calculations_per_minute=1_000_000)
    app = create_app(replace(context, config=replace(context.config, http=unlimited)))
    client = app.test_client()
    put(client)
    day_of_readings(context.store)
    return client


def complaint(answer, path, fits):
    """What is wrong with an answer to a body that may have a wrong member; "" for nothing.

    Args:
        fits: whether the body is taken without it, so that it is the one to be named.
    """
    text = answer.get_data(as_text=True)
    if answer.status_code >= 500:
        return f"{answer.status_code}: {text[:300]}"
    if answer.status_code < 400:
        return ""
    if answer.mimetype != "application/problem+json":
        return f"{answer.status_code} {answer.mimetype}"
    problem = answer.get_json()
    if len(text) > 30_000 or any(len(one["detail"]) > 5_000 for one in problem.get("errors", ())):
        return f"an answer of {len(text)} bytes"
    if answer.status_code != 422 or not fits:
        return "" if problem["detail"] else "no detail"
    pointer = "".join(f"/{part}" for part in path)
    named = [
        one
        for one in problem.get("errors", ())
        if one["pointer"].startswith(pointer)
        or pointer.startswith(one["pointer"])
        # members that are compared with each other: either may be named
        or (len(path) > 2 and one["pointer"].startswith("".join(f"/{part}" for part in path[:-2])))
    ]
    if not named:
        return f"{pointer} is not named: {problem['detail'][:300]}"
    for one in named:
        if "allowed" not in one["detail"] and "is missing" not in one["detail"]:
            return f"nothing allowed: {one['detail'][:300]}"
    return ""


def test_no_member_of_any_body_can_be_so_wrong_that_it_is_a_defect(hostile):
    spec = spec_of(hostile.application)
    document = Document(spec)
    found, asked, seen, fits = [], 0, set(), {}

    def ask(method, path, kind, body):
        return hostile.open(address_of(path), method=method, data=text_of(body), content_type=kind)

    for method, path, kind, whole, usual, members in bodies(document, spec):
        for place, schema in members:
            fitting = usual if place[0] in usual else {**usual, place[0]: whole[place[0]]}
            if changed(fitting, place, None) is None:
                fitting = {**usual, place[0]: whole[place[0]]}
            key = method, path, text_of(fitting)
            if key not in fits:
                fits[key] = ask(method, path, kind, fitting).status_code < 300
            known = {k: v for k, v in document.resolved(schema).items() if k != "description"}
            once = json.dumps(known, sort_keys=True)
            values = FEW if once in seen else MANY
            seen.add(once)
            for value in values:
                answer = ask(method, path, kind, changed(fitting, place, value))
                asked += 1
                if wrong := complaint(answer, place, fits[key]):
                    found.append(f"{method} {path} {place} {str(value)[:60]!r}: {wrong}")
    assert asked > 3000
    assert not found, f"{len(found)} of {asked}:\n" + "\n".join(found[:25])


def test_no_option_header_or_address_can_be_so_wrong_that_it_is_a_defect(hostile):
    found, asked = [], 0
    for method, path, _, parameters in operations(spec_of(hostile.application)):
        for one in parameters:
            for text in TEXTS:
                address, headers = address_of(path), {}
                if one["in"] == "query":
                    address += f"?{one['name']}={quote(text)}"
                elif one["in"] == "path":
                    address = address_of(path.replace(f"{{{one['name']}}}", quote(text or " ")))
                elif not text.isprintable() or not text.isascii():
                    continue
                else:
                    headers = {one["name"]: text}
                answer = hostile.open(address, method=method, headers=headers, buffered=False)
                asked += 1
                if answer.status_code >= 500:
                    found.append(f"{method} {address[:100]} {headers}: {answer.status_code}")
                if answer.status_code == 422:
                    for fault in answer.get_json()["errors"]:
                        if (
                            fault.get("parameter") == one["name"]
                            and "allowed: " not in (fault["detail"])
                        ):
                            found.append(f"{method} {address[:100]}: {fault['detail']}")
                answer.close()
    assert asked > 500
    assert not found, f"{len(found)} of {asked}:\n" + "\n".join(found[:25])


@pytest.mark.parametrize(
    "name",
    ["Accept", "If-Match", "If-None-Match", "Range", "Cookie", "Last-Event-ID", "Accept-Language"],
)
def test_ten_thousand_entries_in_a_header_are_no_defect(hostile, name):
    text = ",".join(['"a"', "text/html;q=0.1", "bytes=0-1"][number % 3] for number in range(10_000))
    for address in ("/v1/tanks", "/v1/tanks/riffle", "/v1/handover", "/", "/openapi.json"):
        answer = hostile.get(address, headers={name: text})
        assert answer.status_code < 500, address
