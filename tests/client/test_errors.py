"""What is no answer becomes an error that carries its data."""

from __future__ import annotations

import pytest
import requests_mock

from service.client import Client, ClientError, Fault, ProblemError

URL = "http://127.0.0.1:8600"


def test_a_problem_carries_its_data() -> None:
    problem = {
        "type": "/problems/invalid-input", "title": "t", "status": 422, "detail": "no",
        "errors": [{"detail": "kh is -1", "pointer": "/kh"}, {"detail": "?", "parameter": "every"}],
    }  # fmt: skip
    with requests_mock.Mocker() as mocker:
        mocker.get(f"{URL}/v1/tanks", json=problem, status_code=422, headers={"Retry-After": "7"})
        with pytest.raises(ProblemError, match=r"^no \(422\)$") as caught:
            Client(URL).tanks()
    assert caught.value.faults == (Fault("kh is -1", "/kh"), Fault("?", parameter="every"))
    assert caught.value.retry_after_s == 7.0


@pytest.mark.parametrize("body", ["oops", "[]", "{}", ""])
def test_an_error_that_is_no_problem_names_address_and_status(body: str) -> None:
    with requests_mock.Mocker() as mocker:
        mocker.get(f"{URL}/v1/tanks", text=body, status_code=502)
        with pytest.raises(ClientError, match=r"/v1/tanks answers 502 .*is it Littoral") as caught:
            Client(URL).tanks()
    assert not isinstance(caught.value, ProblemError)
    assert repr(body) in str(caught.value)
