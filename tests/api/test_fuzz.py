"""Requests generated from our own OpenAPI document, good and bad, all checks on.

schemathesis makes them from the served document and compares each answer's status, media type,
headers and body with it, also that no request is let in without its token, that what breaks the
document is refused, and that what fits it is taken. Bounded and seeded.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis.specs.openapi.checks import positive_data_acceptance

from service.api.calculate.table import FORMULAS
from service.app.app_factory import create_app
from service.config import HttpConfig
from service.registry.access import Scope
from tests.api.conftest import NOW
from tests.api.scenes import day_of_readings, put

EXAMPLES = 8

QUANTITIES = "the limits of a quantity depend on its unit, and which units convert is pint's to say"
ORDER = "the end must lie after the start, and a step must fit between them"
BESIDE = "a sheet is asked for by its span or by an absence, of tanks that are registered"
NOT_SAID = {
    **{f"POST /v1/calculate/{one.name}": QUANTITIES for one in FORMULAS},
    "PUT /v1/tanks/{tank}": QUANTITIES,
    "PATCH /v1/tanks/{tank}": QUANTITIES,
    "POST /v1/tanks/{tank}/what-if": QUANTITIES,
    "POST /v1/tanks/{tank}/log": QUANTITIES,
    "POST /v1/tanks/{tank}/readings": "a pack of SenML is judged record by record (RFC 8428)",
    "GET /v1/tanks/{tank}/co2/series": ORDER,
    "GET /v1/tanks/{tank}/readings": ORDER,
    "GET /v1/tanks/{tank}/log": ORDER,
    "GET /v1/tanks/{tank}/temperature/excursions": ORDER,
    "PUT /v1/absences": ORDER,
    "GET /v1/handover": BESIDE,
    "GET /v1/handover.ics": BESIDE,
    "GET /v1/handover/return": BESIDE,
    "POST /v1/shares": BESIDE,
    "POST /v1/recommendations/{id}/done": "its data belong to a kind of log entry",
    "POST /v1/recommendations/{id}/snooze": "until and length exclude each other",
}  # fmt: skip
"""Where what JSON Schema cannot say may refuse a request that fits it, and what that is."""

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


def complaints(operation, token):
    """Ask an operation some requests; how many, and what the checks complain of."""
    left_out = [positive_data_acceptance] if operation.label in NOT_SAID else []
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
        response = case.call(headers=token)
        asked += 1
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
    unlimited = HttpConfig(writes_per_minute=1_000_000, refusals_per_minute=10_000)
    app = create_app(replace(context, config=replace(context.config, http=unlimited)))
    put(app.test_client())
    day_of_readings(context.store)
    _, secret = context.registry.create_token("fuzz", Scope.ADMIN, NOW)
    token = {"Authorization": f"Bearer {secret}"}
    config = schemathesis.Config.from_dict({"checks": TAKEN})
    document = schemathesis.openapi.from_wsgi("/openapi.json", app, config=config)
    operations = [result.ok() for result in document.get_all_operations()]
    asked, found = zip(*(complaints(one, token) for one in operations), strict=True)
    assert sum(asked) > 200
    assert not any(found), "\n".join(sorted({text for texts in found for text in texts})[:8])
    stale = NOT_SAID.keys() - {one.label for one in operations}
    assert not stale, "named above, but in the document no more"
