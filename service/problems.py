"""The kinds of problem (RFC 9457) that an error can be: a contract, documented in docs/problems.md.

The ``type`` of a problem is ``/problems/SLUG``, a reference relative to the service, where a
person finds what it means and what to do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

TYPE_PREFIX: Final = "/problems/"


@dataclass(frozen=True, slots=True)
class ProblemKind:
    """One kind of problem.

    Attributes:
        slug: last part of its ``type``.
        title: the same for every problem of the kind.
        status: HTTP status; the first kind of a status is also used for Flask's own errors.
        meaning: what happened, one sentence.
        remedy: what to do about it, one sentence.
    """

    slug: str
    title: str
    status: int
    meaning: str
    remedy: str

    @property
    def type(self) -> str:
        """The ``type`` member: a URI reference with its full path."""
        return TYPE_PREFIX + self.slug


_KINDS: Final = (
    ProblemKind(
        "malformed-request",
        "The request cannot be read",
        400,
        "The body is not valid JSON (NaN and Infinity are not JSON either), is nested too deeply "
        "or has too many values, or the request breaks the rules of HTTP.",
        "Send the body as UTF-8 JSON; the detail says where reading stopped.",
    ),
    ProblemKind(
        "unauthorized",
        "A token is needed",
        401,
        "The service lets only those in who show a valid token, and this request shows none.",
        "Send `Authorization: Bearer SECRET` with a token made by `littoral token create`.",
    ),
    ProblemKind(
        "forbidden",
        "Not allowed",
        403,
        "The token's scope or the sharing link does not cover this, or a browser sent the request "
        "for another site, or it came through a proxy while no token is set up.",
        "Read the detail: it names the scope that is needed, or what else is allowed.",
    ),
    ProblemKind(
        "not-found",
        "Not found",
        404,
        "There is no such address, tank, log entry or recommendation.",
        "Look the name up in the list one level above, such as /v1/tanks.",
    ),
    ProblemKind(
        "method-not-allowed",
        "The method is not allowed here",
        405,
        "The address exists but does not do this.",
        "Use one of the methods that the Allow header lists.",
    ),
    ProblemKind(
        "not-acceptable",
        "No such representation",
        406,
        "The Accept header asks for a format that this address does not have.",
        "Ask for one of the media types that the detail lists.",
    ),
    ProblemKind(
        "conflict",
        "Conflicts with what is already there",
        409,
        "The request contradicts what is already there.",
        "Read the present state, then decide.",
    ),
    ProblemKind(
        "gone",
        "No longer there",
        410,
        "The sharing link has expired or was revoked.",
        "Ask whoever gave you the link for a new one.",
    ),
    ProblemKind(
        "precondition-failed",
        "The condition of the request does not hold",
        412,
        "If-Match names a version that is no longer the present one, If-None-Match finds one, or "
        "the address takes no such condition.",
        "Get the present version, apply the change to it, and send it with its ETag; or leave out "
        "a condition that is not taken.",
    ),
    ProblemKind(
        "too-large",
        "The body is too large",
        413,
        "The body is larger than this service takes in one request.",
        "Send it in several requests.",
    ),
    ProblemKind(
        "unsupported-media-type",
        "The body's media type is not supported",
        415,
        "The Content-Type header is missing or names a format that this address does not read.",
        "Send one of the media types that the Accept header of the answer lists.",
    ),
    ProblemKind(
        "invalid-input",
        "The input is not valid",
        422,
        "A field of the body, an option of the query or their combination is not allowed.",
        "Each entry of `errors` names the field (`pointer`, a JSON pointer into the body) or the "
        "query option (`parameter`), its value and what is allowed.",
    ),
    ProblemKind(
        "unknown-unit",
        "The unit is not understood or does not fit",
        422,
        "A unit is not known, or belongs to another kind of quantity.",
        "Use a UCUM code (Cel, mg/L, uS/cm), a unit of the trade (dKH, ppm CaCO3) or another "
        "unit of the same dimension.",
    ),
    ProblemKind(
        "too-many-requests",
        "Too many requests",
        429,
        "More changes or calculations in a minute than one token or address may make, or too many "
        "wrong tokens.",
        "Wait as many seconds as the Retry-After header says.",
    ),
    ProblemKind(
        "headers-too-large",
        "The headers are too large",
        431,
        "Address and headers of the request are together longer than the service takes.",
        "Send fewer or shorter headers, and long input in the body.",
    ),
    ProblemKind(
        "internal",
        "Internal error",
        500,
        "A defect in the service. Nothing about your request needs to be wrong.",
        "Report it with the `instance` of the answer, which is also in the service's own log.",
    ),
    ProblemKind(
        "config",
        "The configuration is not valid",
        500,
        "The service runs with a configuration that does not allow this.",
        "The detail names the key and what is allowed.",
    ),
    ProblemKind(
        "registry-refused",
        "The registry refuses",
        500,
        "The registry's database is not one that this version can use.",
        "Read the detail: most often a newer version wrote it. Trying again will not help.",
    ),
    ProblemKind(
        "store-refused",
        "The store of readings refuses",
        500,
        "The time-series store is there but refuses for good.",
        "Read the detail and the store's own log; trying again will not help.",
    ),
    ProblemKind(
        "not-implemented",
        "Not implemented",
        501,
        "The request uses a transfer coding that the service does not know.",
        "Send the body with its Content-Length, or chunked.",
    ),
    ProblemKind(
        "store-unavailable",
        "The store of readings is not available",
        503,
        "The time-series store cannot be reached.",
        "Try again later; readings wait in the ingester's spool in the meantime.",
    ),
    ProblemKind(
        "registry-unavailable",
        "The registry is not available",
        503,
        "The registry's database cannot be reached or is too busy.",
        "Try again after a moment.",
    ),
    ProblemKind(
        "busy",
        "Too many listeners",
        503,
        "As many listeners as the service allows are connected already.",
        "Try again after the seconds that the Retry-After header says, or raise "
        "`[http] listeners`.",
    ),
    ProblemKind(
        "too-many-uploads",
        "Too many pictures at once",
        503,
        "Pictures are read one at a time, and several requests wait for it already.",
        "Send the same request again after the seconds that the Retry-After header says.",
    ),
    ProblemKind(
        "no-room",
        "No room for it",
        507,
        "The disk of the service is full, or its folder cannot be written.",
        "Make room, or put the folder's rights in order; then send it again.",
    ),
)

PROBLEMS: Final[dict[str, ProblemKind]] = {kind.slug: kind for kind in _KINDS}
