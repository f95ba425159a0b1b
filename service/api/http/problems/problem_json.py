"""Problems as JSON (RFC 9457), and the kind of problem of an HTTP status."""

from __future__ import annotations

from typing import Any, Final

from service.errors import FieldFault
from service.problems import PROBLEMS, ProblemKind

MEDIA_TYPE: Final = "application/problem+json"


def kind_of_status(status: int) -> ProblemKind:
    """The kind of problem that Flask's and Werkzeug's own error of a status is."""
    fitting = (kind for kind in PROBLEMS.values() if kind.status == status)
    return next(fitting, PROBLEMS["malformed-request" if status < 500 else "internal"])


def problem(
    kind: ProblemKind, detail: str, instance: str, faults: tuple[FieldFault, ...] = ()
) -> dict[str, Any]:
    """The JSON object of a problem.

    Args:
        detail: what is wrong this time.
        instance: URI reference of this occurrence: the path asked for, or a URN.
        faults: wrong fields; a pointer that starts with ``?`` names an option of the query.
    """
    answer: dict[str, Any] = {
        "type": kind.type,
        "title": kind.title,
        "status": kind.status,
        "detail": detail,
        "instance": instance,
    }
    if faults:
        answer["errors"] = [_error(fault) for fault in faults]
    return answer


def _error(fault: FieldFault) -> dict[str, str]:
    if fault.pointer.startswith("?"):
        return {"parameter": fault.pointer[1:], "detail": fault.detail}
    return {"pointer": fault.pointer, "detail": fault.detail}
