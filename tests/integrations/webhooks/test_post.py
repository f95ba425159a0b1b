"""One webhook: its files, message and signature, and what an answer means."""

from __future__ import annotations

import base64
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
import requests_mock
import trustme
from cloudevents.core.bindings.http import HTTPMessage, from_structured_event
from standardwebhooks import Webhook as Verifier
from standardwebhooks import WebhookVerificationError

from service.config import WebhookOptions
from service.errors import ConfigError
from service.integrations.webhooks.checked_address import CheckedSession
from service.integrations.webhooks.post import (
    cloud_event,
    post,
    signed_message,
)
from service.integrations.webhooks.target import WebhookTarget, webhook_target
from tests.integrations.webhooks.invented import (
    EVENT,
    KEY,
    LOOPBACK,
    NOW,
    OPTIONS,
    SECRET,
    TARGET,
)


def test_files_beside_the_configuration_are_read(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text(SECRET + "\n")
    trustme.CA().cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    options = WebhookOptions(
        "https://hook.example/",
        secret_file=str(tmp_path / "secret"),
        ca_file=str(tmp_path / "ca.pem"),
    )
    assert webhook_target("shed", options) == WebhookTarget("shed", KEY, options)
    inline = WebhookOptions("https://hook.example/", KEY)
    assert webhook_target("shed", inline).key == KEY


def test_a_wrong_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "torn").write_text("geheim")
    for file in ("torn", "missing"):
        options = WebhookOptions("https://hook.example/", secret_file=str(tmp_path / file))
        with pytest.raises(ConfigError) as caught:
            webhook_target("shed", options)
        assert f"integration shed: secret_file is '{tmp_path}/{file}'" in caught.value.detail
        assert "allowed: path of a file that holds whsec_ and 24 to 64 bytes" in caught.value.detail
        assert "geheim" not in caught.value.detail
    options = WebhookOptions("https://hook.example/", KEY, ca_file=str(tmp_path / "missing"))
    with pytest.raises(ConfigError, match=r"integration shed: ca_file is .*; allowed: path of a"):
        webhook_target("shed", options)


def test_the_message_is_a_cloudevent() -> None:
    headers, body = signed_message(TARGET, EVENT, NOW)
    assert headers["content-type"] == "application/cloudevents+json"
    assert json.loads(body) == {
        "specversion": "1.0",
        "id": EVENT.id,
        "source": "/littoral",
        "type": "littoral.recommendation.opened",
        "subject": "co2-low-1f",
        "time": "2026-05-04T12:00:00Z",
        "datacontenttype": "application/json",
        "sequence": "00000000000000000007",
        "tank": "reed",
        "data": {"code": "co2-low", "title": "Zu wenig CO₂"},
    }
    read = from_structured_event(HTTPMessage(headers, body))
    assert read.get_data() == EVENT.data
    assert read.get_time() == NOW


def test_the_order_of_sequences_is_the_order_of_their_texts() -> None:
    texts = [
        cloud_event(replace(EVENT, sequence=n), "/x").get_attributes()["sequence"]
        for n in (9, 10, 99, 100, 2**62)
    ]
    assert texts == sorted(texts)


def test_the_signature_is_that_of_the_standard() -> None:
    """Worked example of the Standard Webhooks specification's reference tests (from memory)."""
    verifier = Verifier("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    moment = datetime.fromtimestamp(1614265330, UTC)
    signature = verifier.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", moment, '{"test": 2432232314}')
    assert signature == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_a_receiver_can_verify_and_sees_a_changed_body() -> None:
    headers, body = signed_message(TARGET, EVENT, datetime.now(UTC))
    verifier = Verifier(SECRET)
    assert verifier.verify(body, headers)["id"] == EVENT.id
    with pytest.raises(WebhookVerificationError):
        verifier.verify(body.replace(b"Zu wenig", b"Zu viel "), headers)
    with pytest.raises(WebhookVerificationError):
        Verifier(base64.b64encode(b"x" * 32).decode()).verify(body, headers)
    old, _ = signed_message(TARGET, EVENT, datetime.now(UTC) - timedelta(minutes=6))
    with pytest.raises(WebhookVerificationError, match="too old"):
        verifier.verify(body, old)


def outcome_of(**answer: Any) -> Any:
    with CheckedSession(LOOPBACK) as session, requests_mock.Mocker(session=session) as mock:
        mock.post(OPTIONS.url, **answer)
        return post(session, TARGET, EVENT, NOW)


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
def test_any_2xx_is_delivered(status: int) -> None:
    assert outcome_of(status_code=status).delivered


@pytest.mark.parametrize(
    ("status", "headers", "wait_s"),
    [
        (400, {}, 0),
        (404, {}, 0),
        (500, {}, 0),
        (429, {"Retry-After": "120"}, 120),
        (503, {"Retry-After": "Mon, 04 May 2026 12:05:00 GMT"}, 300),
        (503, {"Retry-After": "Mon, 04 May 2026 11:00:00 GMT"}, 0),
        (503, {"Retry-After": "9" * 40}, 86_400),
        (503, {"Retry-After": "soon"}, 0),
    ],
)
def test_any_other_answer_is_tried_again(status: int, headers: dict[str, str], wait_s: int) -> None:
    outcome = outcome_of(status_code=status, headers=headers)
    assert (outcome.delivered, outcome.gone) == (False, False)
    assert (outcome.error, outcome.wait) == (f"HTTP {status}", timedelta(seconds=wait_s))


def test_gone_is_for_good() -> None:
    assert outcome_of(status_code=410).gone


@pytest.mark.parametrize(("status", "is_redirect"), [(300, True), (399, True), (400, False)])
def test_no_other_status_is_delivered(status: int, is_redirect: bool) -> None:
    """RFC 9110, 15: 2xx is success, 3xx redirection, 4xx an error of the client."""
    outcome = outcome_of(status_code=status)
    assert not outcome.delivered and not outcome.gone
    assert ("redirects are not followed" in outcome.error) == is_redirect


def test_a_redirect_is_not_followed() -> None:
    outcome = outcome_of(status_code=307, headers={"Location": "http://169.254.169.254/"})
    assert outcome.error == "HTTP 307: redirects are not followed; configure the final address"


@pytest.mark.parametrize(
    ("raised", "error"),
    [
        (requests.ReadTimeout(), "no answer within 2 s"),
        (requests.ConnectTimeout(), "no answer within 2 s"),
        (requests.ConnectionError(), "cannot connect: ConnectionError"),
        (requests.exceptions.SSLError("certificate"), "TLS failed: SSLError"),
        (requests.exceptions.ChunkedEncodingError(), "cannot connect: ChunkedEncodingError"),
    ],
)
def test_no_answer_is_told_without_the_url(raised: Exception, error: str) -> None:
    assert outcome_of(exc=raised).error == error
