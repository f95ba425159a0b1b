"""Requests generated from our own OpenAPI document, good and bad, all checks on.

schemathesis makes them from the served document and compares each answer's status, media type,
headers and body with it, also that no request is let in without its token, that what breaks the
document is refused, and that what fits it is taken. Bounded and seeded.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from schemathesis.specs.openapi.checks import positive_data_acceptance

from service.app.app_factory import create_app
from service.config import HttpConfig
from service.registry.models.access import Scope
from tests.api.conftest import NOW
from tests.api.scenes import day_of_readings, put

EXAMPLES = 8

ORDER = "the end must lie after the start"
RISING = "low must lie below high"
THERE = "of a tank or absence that is registered"
LENGTH = "how long a duration is: a pattern cannot add its parts"
BESIDE = "what is given beside it, or the absences that there are"
IONS = "the ions are those of the substance or of the salts"
PHYSICS = "what the numbers mean together"
MQTT = "the grammar of MQTT topics and filters"
ROUTE = "what the topic names, and what the other members say"
LOG = {
    "/time": "a time up to now",
    "/data/volume": "up to the net volume of the tank",
    "/data/.*": "a calibration of points must make a line",
}

NOT_SAID = {
    "GET /v1/broker/topics": {r"\?filter": MQTT},
    "GET /v1/handover": {r"\?(absence|tank)": BESIDE, r"\?(start|end)": ORDER},
    "GET /v1/handover.ics": {r"\?(absence|tank)": BESIDE, r"\?(start|end)": ORDER},
    "GET /v1/handover/return": {r"\?(absence|tank)": BESIDE, r"\?(start|end)": ORDER},
    "GET /v1/tanks/{tank}/co2/series": {r"\?(start|end)": ORDER, r"\?every": LENGTH},
    "GET /v1/tanks/{tank}/log": {r"\?(start|end)": ORDER},
    "GET /v1/tanks/{tank}/readings": {
        r"\?(start|end)": ORDER,
        r"\?every": LENGTH,
        r"\?(flagged|aggregate)": BESIDE,
    },
    "GET /v1/tanks/{tank}/temperature/excursions": {r"\?(start|end)": ORDER},
    "PATCH /v1/tanks/{tank}": {".*": "a patch is judged by what it makes of the tank (RFC 7386)"},
    "PATCH /v1/tanks/{tank}/trials/{trial}": {
        "/look_again": ORDER,
        "/question": "words, not blanks alone",
        r"/watched/\d+": "what the tank has",
    },
    "POST /shared/{secret}/reports": {"/age": LENGTH, "/task": "a task of the shared sheet"},
    "POST /v1/calculate/co2": {"/target/high": RISING},
    "POST /v1/calculate/dose": {"/(ion|label)": IONS},
    "POST /v1/calculate/electrode": {"/points": PHYSICS},
    "POST /v1/calculate/light": {"/photoperiod": LENGTH},
    "POST /v1/calculate/light-attenuation": {"/points": PHYSICS},
    "POST /v1/calculate/mix": {"/(hot|target)": PHYSICS},
    "POST /v1/calculate/stock": {"/ion": IONS},
    "POST /v1/calculate/volume": {"/(glass|fill_height|substrate_depth|hardscape)": PHYSICS},
    "POST /v1/calculate/water-change": {
        r"/substances/\d+/target": PHYSICS,
        "/(tank|new)/gh": "of both waters or of neither",
    },
    "POST /v1/recommendations/{id}/done": {"/.*": "its data belong to a kind of log entry"},
    "POST /v1/recommendations/{id}/snooze": {"/(until|length)": LENGTH},
    "POST /v1/routes": {"/topic": MQTT, "(/.*)?": ROUTE},
    "POST /v1/shares": {"/(tank|absence)": THERE, "/(start|end)": ORDER, "/length": LENGTH},
    "POST /v1/tanks/{tank}/log": LOG,
    "POST /v1/tanks/{tank}/pictures": {**LOG, r"/picture/\d+": "what a photograph is"},
    "POST /v1/tanks/{tank}/readings/senml": {
        ".*": "a pack of SenML is judged record by record (RFC 8428)"
    },
    "POST /v1/tanks/{tank}/trials": {
        "/(look_again|begun)": ORDER,
        "/length": LENGTH,
        "/question": "words, not blanks alone",
        r"/watched/\d+": "what the tank has",
        r"/entries/\d+": THERE,
    },
    "POST /v1/tanks/{tank}/what-if": {
        "/(photoperiod|water_change_every)": LENGTH,
        ".*/high": RISING,
    },
    "PUT /v1/absences": {r"/absences/\d+/end": ORDER, r"/absences/\d+/tanks/\d+": THERE},
    "PUT /v1/tanks/{tank}": {
        ".*/high": RISING,
        "/time_zone": "the names that the time zone database of this machine has",
        "/(light|gas)/.*": LENGTH,
        "/water_change/every": LENGTH,
        "/dimensions/.*": PHYSICS,
        r"/doses/\d+/.*": "a solution or a dry salt; null is neither",
        "/id": "as in the address",
    },
}
"""Pointers and options at which what JSON Schema cannot say may refuse a request that fits it, and
why. Any other refusal of such a request fails the test."""

TAKEN = {
    "positive_data_acceptance": {
        # 404: ids are invented; 409 and 412: what is there already, or another version of it
        "expected-statuses": ["2xx", "304", "404", "409", "412"],
    }
}


@pytest.fixture
def years():
    """Times as the document allows them, which the formats alone do not say."""
    early, late = datetime(1970, 1, 2), datetime(2199, 12, 30)  # noqa: DTZ001 - zones follow
    moments = st.datetimes(early, late, timezones=st.just(UTC))
    schemathesis.openapi.format("date-time", moments.map(lambda one: one.isoformat()))
    days = st.dates(date(1970, 1, 1), date(2199, 12, 31))
    schemathesis.openapi.format("date", days.map(lambda one: one.isoformat()))


def is_excused(label, response):
    """Whether a request is refused for nothing but what JSON Schema cannot say."""
    known = NOT_SAID.get(label, {})
    if response.status_code != 422 or not known:
        return False
    faults = response.json().get("errors", [])
    places = [one["pointer"] if "pointer" in one else f"?{one['parameter']}" for one in faults]
    known_places = re.compile("|".join(f"(?:{one})" for one in known), re.DOTALL)
    return all(known_places.fullmatch(place) for place in places)


def is_misjudged(case, document):
    """Whether the entry in a form does not fit the document.

    The generator changes the JSON inside a form and still takes it for what the document allows.
    """
    if case.operation.label != "POST /v1/tanks/{tank}/pictures" or not isinstance(case.body, dict):
        return False
    schema = {"$ref": "#/components/schemas/LogEntry", "components": document["components"]}
    return not Draft202012Validator(schema).is_valid(case.body.get("entry"))


def complaints(operation, token, document):
    """Ask an operation some requests; how many, and what the checks complain of."""
    asked, found = 0, []

    @seed(20250604)
    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def ask(case):
        nonlocal asked
        if "tank" in case.path_parameters and case.method != "DELETE":
            case.path_parameters["tank"] = "riffle"
        # schemathesis reads no compressed answers of a WSGI app.
        response = case.call(headers=token | {"Accept-Encoding": "identity"})
        asked += 1
        excused = is_excused(operation.label, response) or is_misjudged(case, document)
        left_out = [positive_data_acceptance] if excused else []
        try:
            case.validate_response(response, headers=token, excluded_checks=left_out)
        except schemathesis.errors.SchemathesisError as error:
            found.append(f"{case.method} {case.path}: {error}")
        except BaseExceptionGroup as group:
            found.append(f"{case.method} {case.path}: {group.exceptions[0]}")

    ask()
    return asked, found


@pytest.mark.slow
def test_generated_requests_find_nothing(context, years):
    unlimited = HttpConfig(
        writes_per_minute=1_000_000,
        calculations_per_minute=1_000_000,
        refusals_per_minute=10_000,
    )
    app = create_app(replace(context, config=replace(context.config, http=unlimited)))
    put(app.test_client())
    day_of_readings(context.store)
    _, secret = context.registry.create_token("fuzz", Scope.ADMIN, NOW)
    token = {"Authorization": f"Bearer {secret}"}
    config = schemathesis.Config.from_dict({"checks": TAKEN})
    document = schemathesis.openapi.from_wsgi("/openapi.json", app, config=config)
    operations = [result.ok() for result in document.get_all_operations()]
    asked, found = zip(
        *(complaints(one, token, document.raw_schema) for one in operations), strict=True
    )
    assert sum(asked) > 200
    assert not any(found), "\n".join(sorted({text for texts in found for text in texts})[:8])
    stale = NOT_SAID.keys() - {one.label for one in operations}
    assert not stale, "named above, but in the document no more"
