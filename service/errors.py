"""Expected errors: each names which field, which value and what is allowed.

::

    LittoralError                       the API answers 500 and hides the detail
    ├─ InvalidInputError                a field has a value that is not allowed
    │  └─ UnknownUnitError
    ├─ ConfigError
    ├─ NotFoundError
    │  └─ NoSuchTankError
    ├─ GoneError
    ├─ ConflictError
    ├─ PreconditionFailedError          another version is stored than the write is meant for
    ├─ StoreUnavailableError            trying again makes sense
    ├─ StoreRefusedError                trying again will not help
    ├─ RegistryUnavailableError         trying again makes sense
    └─ RegistryRefusedError             trying again will not help

What only HTTP knows is defined where it is raised, in ``service.api``: MalformedRequestError (400),
UnauthorizedError (401), ForbiddenError (403), NotAcceptableError (406), TooLargeError (413),
UnsupportedMediaTypeError (415), TooManyRequestsError (429), BusyError (503). Titles, statuses and
meanings of all are in ``service.problems``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import ClassVar, Final, Self

from service.problems import PROBLEMS, ProblemKind

MISSING_ADVICE: Final = (
    "name the configuration with --config, or start 'littoral up' once, which makes what is missing"
)
"""Ends the error for a registry or store that is expected and missing."""


class LeftOut:
    """Stands for the value of a field that was left out: the error says that it is missing."""


LEFT_OUT: Final = LeftOut()

_SHOWN_CHARACTERS: Final = 60
_MOST_FAULTS: Final = 50
_IN_DETAIL: Final = 3


def shown(value: object) -> str:
    """A value as an error repeats it: short, on one line, encodable; null, true and false as such.

    JSON and TOML know neither None nor True.
    """
    text = _written(value)
    if len(text) > _SHOWN_CHARACTERS:
        text = text[: _SHOWN_CHARACTERS - 1] + "…"
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _written(value: object) -> str:
    match value:
        case LeftOut():
            return "missing"
        case None:
            return "null"
        case bool():
            return str(value).lower()
        case dict():
            return "{" + ", ".join(f"{key!r}: {_written(one)}" for key, one in value.items()) + "}"
        case list():
            return "[" + ", ".join(map(_written, value)) + "]"
    return repr(value)


class Refusal(str):
    """What is wrong with a value, without the field's name: ``is 'x'; allowed: …``.

    Attributes:
        value: what was given; ``LEFT_OUT`` where nothing was.
        allowed: what is allowed, in words.
    """

    value: object
    allowed: str

    def __new__(cls, value: object, allowed: str) -> Self:
        """The text from the value and what is allowed."""
        made = super().__new__(cls, f"is {shown(value)}; allowed: {allowed}")
        made.value, made.allowed = value, allowed
        return made


class UnitRefusal(Refusal):
    """What is wrong with a unit that is not understood or does not fit."""


@dataclass(frozen=True, slots=True)
class FieldFault:
    """One wrong field.

    Attributes:
        pointer: JSON pointer (RFC 6901) or dotted key of the field, e.g. ``/kh/value``.
        detail: what is wrong and what is allowed, one sentence.
        value: what was given.
        allowed: what is allowed; "" where only the sentence says it.
    """

    pointer: str
    detail: str
    value: object = field(default=None, compare=False)
    allowed: str = ""

    @classmethod
    def of(cls, pointer: str, message: str, name: str | None = None) -> FieldFault:
        """The fault of a field.

        Args:
            message: what is wrong, without the field's name; a ``Refusal`` also as data.
            name: of the field in the sentence; by default the pointer.
        """
        detail = f"{pointer if name is None else name} {message}"
        if isinstance(message, Refusal):
            return cls(pointer, detail, message.value, message.allowed)
        return cls(pointer, detail)

    def renamed(self, pointer: str, name: str | None = None) -> FieldFault:
        """The same fault of a field that is called otherwise, e.g. in a form."""
        if not self.allowed:
            return FieldFault(pointer, self.detail)
        return FieldFault.of(pointer, Refusal(self.value, self.allowed), name)


class LittoralError(Exception):
    """Base of all expected errors.

    Attributes:
        kind: of problem (RFC 9457): its title, and the HTTP status that the API answers with.
        headers: that an answer over HTTP carries beside it.
    """

    kind: ClassVar[ProblemKind] = PROBLEMS["internal"]
    headers: Mapping[str, str] = MappingProxyType({})

    def __init__(self, detail: str, faults: tuple[FieldFault, ...] = ()) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults = faults


class InvalidInputError(LittoralError):
    """A field has a value that is not allowed."""

    kind = PROBLEMS["invalid-input"]

    @classmethod
    def of(cls, faults: Sequence[FieldFault]) -> Self:
        """Build the error for some wrong fields; its detail repeats the first three."""
        detail = "; ".join(fault.detail for fault in faults[:_IN_DETAIL])
        if len(faults) > _IN_DETAIL:
            detail += f"; and {len(faults) - _IN_DETAIL} more"
        return cls(detail, tuple(faults[:_MOST_FAULTS]))

    @classmethod
    def of_field(cls, field: str, value: object, allowed: str) -> Self:
        """Build the error for one field from its name, its value and what is allowed."""
        pointer = "/" + field.strip("/").replace(".", "/")
        return cls.of([FieldFault.of(pointer, Refusal(value, allowed), field)])


class UnknownUnitError(InvalidInputError):
    """A unit cannot be understood or does not fit the quantity."""

    kind = PROBLEMS["unknown-unit"]


class ConfigError(LittoralError):
    """The configuration file or an environment override is wrong."""

    kind = PROBLEMS["config"]


class NotFoundError(LittoralError):
    """The thing asked for does not exist."""

    kind = PROBLEMS["not-found"]


class NoSuchTankError(NotFoundError):
    """The registry has no tank of this id."""


class GoneError(LittoralError):
    """The thing asked for was there and is no longer."""

    kind = PROBLEMS["gone"]


class ConflictError(LittoralError):
    """The request contradicts what is already there."""

    kind = PROBLEMS["conflict"]


class PreconditionFailedError(LittoralError):
    """Another version is stored than the one that the write is meant for."""

    kind = PROBLEMS["precondition-failed"]


class StoreUnavailableError(LittoralError):
    """The time-series store cannot be reached or refuses; nothing of the batch counts as stored."""

    kind = PROBLEMS["store-unavailable"]


class StoreRefusedError(LittoralError):
    """The store is reachable but refuses the data or the file for good; retrying will not help."""

    kind = PROBLEMS["store-refused"]


class RegistryUnavailableError(LittoralError):
    """The registry's database cannot be reached or is too busy; trying again makes sense."""

    kind = PROBLEMS["registry-unavailable"]


class RegistryRefusedError(LittoralError):
    """The registry's database is not one that this version can use; retrying will not help."""

    kind = PROBLEMS["registry-refused"]
