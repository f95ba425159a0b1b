"""One attempt to deliver one event: a CloudEvent, signed, posted, and its outcome."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final

import requests
from cloudevents.core.bindings.http import to_structured_event
from cloudevents.core.v1.event import CloudEvent
from standardwebhooks import Webhook

from service.integrations.delivery_queue import Outcome, printable
from service.integrations.webhooks.checked_address import AddressRefusedError, CheckedSession
from service.integrations.webhooks.target import WebhookTarget
from service.registry.models.events import Event
from service.retry_after import retry_after

TYPE_PREFIX: Final = "littoral."
SEQUENCE_DIGITS: Final = 20
USER_AGENT: Final = "littoral-webhook"
LONGEST_WAIT: Final = timedelta(days=1)
"""A receiver may ask for a pause up to this."""
ATTEMPT_TIMEOUTS: Final = 3
"""An attempt may take so many times the time-out of a single wait. Our choice."""


def cloud_event(event: Event, source: str) -> CloudEvent:
    """The event by CloudEvents 1.0; ``sequence`` and ``tank`` are extension attributes."""
    attributes: dict[str, Any] = {
        "id": event.id,
        "source": source,
        "type": TYPE_PREFIX + event.type,
        "subject": event.subject,
        "time": event.time,
        "datacontenttype": "application/json",
        "sequence": f"{event.sequence:0{SEQUENCE_DIGITS}}",
    }
    if event.tank:
        attributes["tank"] = event.tank
    return CloudEvent(attributes, dict(event.data))


def signed_message(
    target: WebhookTarget, event: Event, now: datetime
) -> tuple[dict[str, str], bytes]:
    """Headers and body of the request.

    The signature is that of the Standard Webhooks specification: HMAC-SHA256 over
    ``id.timestamp.body``, so that a body cannot be changed and an old one not be replayed.
    """
    message = to_structured_event(cloud_event(event, target.options.source))
    signature = Webhook(target.key).sign(event.id, now.astimezone(UTC), message.body.decode())
    headers = {
        "content-type": message.headers["content-type"],
        "user-agent": USER_AGENT,
        "webhook-id": event.id,
        "webhook-timestamp": str(int(now.timestamp())),
        "webhook-signature": signature,
    }
    return headers, message.body


def post(
    session: CheckedSession,
    target: WebhookTarget,
    event: Event,
    now: datetime,
    deadline_s: float | None = None,
) -> Outcome:
    """Post an event once; never raises for what the other side does.

    Args:
        deadline_s: for the whole attempt; None: by the target's ``timeout_s``.
    """
    headers, body = signed_message(target, event, now)
    longest_s = longest_attempt_s(target) if deadline_s is None else deadline_s
    with session.deadline(longest_s) as passed:
        try:
            with session.post(
                target.options.url,
                data=body,
                headers=headers,
                timeout=target.options.timeout_s,
                allow_redirects=False,  # a redirect would lead past the check of the address
                stream=True,  # the answer's body is not needed
            ) as answer:
                if passed.is_set():  # cut off within the headers
                    return _not_whole(longest_s)
                return _judge(answer, now)
        except AddressRefusedError as error:
            return Outcome(False, error=error.detail)
        except requests.Timeout:
            return Outcome(False, error=f"no answer within {target.options.timeout_s:g} s")
        except requests.RequestException as error:
            if passed.is_set():
                return _not_whole(longest_s)
            return Outcome(False, error=_reason(error))
        except Exception as error:  # noqa: BLE001 - an answer that no library foresaw is a failure
            return Outcome(False, error=f"an answer that cannot be read: {type(error).__name__}")


def longest_attempt_s(target: WebhookTarget) -> float:
    """Seconds that one attempt may take, from connecting to the last header of the answer."""
    return ATTEMPT_TIMEOUTS * target.options.timeout_s


def _not_whole(longest_s: float) -> Outcome:
    return Outcome(False, error=f"no whole answer within {longest_s:g} s")


def _judge(answer: requests.Response, now: datetime) -> Outcome:
    status = answer.status_code
    if 200 <= status < 300:
        return Outcome(True)
    if status == 410:
        return Outcome(False, gone=True, error="HTTP 410: the receiver wants no more events")
    error = f"HTTP {status}"
    if 300 <= status < 400:
        error += ": redirects are not followed; configure the final address"
    asked = retry_after(answer.headers.get("retry-after"), now, most=LONGEST_WAIT)
    return Outcome(False, error=error, wait=asked or timedelta(0))


def _reason(error: requests.RequestException) -> str:
    """What went wrong, from the innermost cause: the outer texts repeat the URL."""
    inner: BaseException = error
    while (next_one := _cause(inner)) is not None:
        inner = next_one
    kind = "TLS failed" if isinstance(error, requests.exceptions.SSLError) else "cannot connect"
    text = str(inner).rpartition(": ")[2] if inner is not error else type(error).__name__
    return f"{kind}: {printable(text)}"


def _cause(error: BaseException) -> BaseException | None:
    reason = getattr(error, "reason", None)
    if isinstance(reason, BaseException):
        return reason
    first = error.args[0] if error.args else None
    if isinstance(first, BaseException):
        return first
    return error.__cause__ if not isinstance(error, requests.RequestException) else None
