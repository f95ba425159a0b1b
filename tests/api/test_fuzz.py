"""Generated requests against the document: no crash, nothing undocumented.

schemathesis makes requests from docs/openapi.json and compares each answer's status, media type,
headers and body with it, also that no request is let in without its token. Bounded and seeded.

One check is left out: that whatever fits the JSON Schema is accepted. Units, the order of two
times and what one member demands of another cannot be said there; such requests get a 422.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis.specs.openapi.checks import positive_data_acceptance

from service.api.app import create_app
from service.config import HttpConfig
from service.tanks.access import Scope
from tests.api.conftest import NOW
from tests.api.scenes import day_of_readings, put

EXAMPLES = 8


@pytest.mark.slow
def test_generated_requests_find_nothing(context):
    unlimited = HttpConfig(writes_per_minute=1_000_000, refusals_per_minute=10_000)
    app = create_app(replace(context, config=replace(context.config, http=unlimited)))
    put(app.test_client())
    day_of_readings(context.store)
    _, secret = context.registry.create_token("fuzz", Scope.ADMIN, NOW)
    token = {"Authorization": f"Bearer {secret}"}
    found, asked = [], 0
    for result in schemathesis.openapi.from_wsgi("/openapi.json", app).get_all_operations():
        operation = result.ok()

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
                case.validate_response(
                    response, headers=token, excluded_checks=[positive_data_acceptance]
                )
            except schemathesis.errors.SchemathesisError as error:
                found.append(f"{case.method} {case.path}: {error}")
            except BaseExceptionGroup as group:
                found.append(f"{case.method} {case.path}: {group.exceptions[0]}")

        ask()
    assert asked > 200
    assert not found, "\n".join(sorted(set(found))[:8])
