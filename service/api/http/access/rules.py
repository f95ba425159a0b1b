"""Which addresses are open to everybody, which scope the others need, and the two refusals."""

from __future__ import annotations

from typing import Final

from service.errors import LittoralError
from service.problems import PROBLEMS
from service.registry.models.access import Scope

OPEN: Final = frozenset(
    {
        "service.healthz",
        "service.readyz",
        "service.openapi_json",
        "pages.docs",
        "pages.problem",
        "pages.problems",
        "pages.static",
        "pages.static_without_hash",
        "pages.login",
        "pages.log_in",
        "pages.unsubscribing",
        "pages.unsubscribe",
        "pages.subscribe",
        "shared.shared_sheet",
        "shared.shared_calendar",
        "link_reports.tasks",
        "link_reports.LinkReportsView",
        "link_pictures.report",
        "link_pictures.picture",
        "link_pictures.thumbnail",
        "pages.report",
        "pages.link_manifest",
        "pages.link_worker",
    }
)
"""Endpoints that answer whoever asks; all others, and what is no address at all, authenticate.

By endpoint, never by path: the router takes one address in several spellings.
"""

_SAFE: Final = ("GET", "HEAD", "OPTIONS")
_STATELESS: Final = ("/v1/calculate/",)
_ADMIN: Final = (
    ("GET", "/v1/audit"),
    ("GET", "/audit"),
    ("DELETE", "/v1/tanks/<tank>"),
    ("POST", "/tanks/<tank>/delete"),
    ("POST", "/v1/deliveries/<id>/redeliver"),
    ("POST", "/mail/deliveries/<int:id>/again"),
)
_TRAFFIC: Final = (
    ("GET", "/v1/broker/topics"),
    ("GET", "/sensors"),
    ("GET", "/sensors/route"),
)
"""What shows messages of the broker, others than ours among them: for who may set sensors up."""
_OF_THE_CALLER: Final = (
    ("DELETE", "/v1/sessions"),
    ("DELETE", "/v1/sessions/<id>"),
    ("POST", "/logout"),
    ("POST", "/sessions/end"),
    ("POST", "/sessions/<id>/end"),
)
"""What also a reader may end: it is the reader's own."""


class UnauthorizedError(LittoralError):
    """No valid token."""

    kind = PROBLEMS["unauthorized"]

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.headers = {"WWW-Authenticate": 'Bearer realm="littoral"'}


class ForbiddenError(LittoralError):
    """A valid request of somebody who may not make it."""

    kind = PROBLEMS["forbidden"]


def is_safe(method: str) -> bool:
    """Whether a method only reads."""
    return method in _SAFE


def scope_of(method: str, rule: str) -> Scope:
    """The scope that a method of an address needs, the address as in Flask's rules."""
    if (method if method != "HEAD" else "GET", rule) in _ADMIN:
        return Scope.ADMIN
    if (method if method != "HEAD" else "GET", rule) in _TRAFFIC:
        return Scope.WRITE
    reads = is_safe(method) or rule.startswith(_STATELESS) or rule.endswith("/what-if")
    if reads or (method, rule) in _OF_THE_CALLER:
        return Scope.READ
    return Scope.WRITE
