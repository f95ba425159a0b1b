"""A calculation asked over HTTP, and how quantities are written."""

from __future__ import annotations

import pytest


def q(value, unit):
    return {"value": value, "unit": unit}


@pytest.fixture
def calculate(client):
    def ask(name, body):
        response = client.post(f"/v1/calculate/{name}", json=body)
        assert response.status_code == 200, response.get_data(as_text=True)
        return response.get_json()

    return ask
