"""The small error hierarchy: each error says which field, which value and what is allowed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FieldFault:
    """One wrong field.

    Attributes:
        pointer: JSON pointer (RFC 6901) or dotted key of the field, e.g. ``/kh/value``.
        detail: what is wrong and what is allowed, one sentence.
    """

    pointer: str
    detail: str


class LittoralError(Exception):
    """Base of all expected errors.

    Attributes:
        slug: last part of the problem ``type`` URI (RFC 9457); documented in docs/problems.md.
        title: the same for every error of this class.
        status: HTTP status that the API answers with.
    """

    slug = "internal"
    title = "Internal error"
    status = 500

    def __init__(self, detail: str, faults: tuple[FieldFault, ...] = ()) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults = faults


class InvalidInputError(LittoralError):
    """A field has a value that is not allowed."""

    slug = "invalid-input"
    title = "The input is not valid"
    status = 422

    @classmethod
    def of_field(cls, field: str, value: object, allowed: str) -> InvalidInputError:
        """Build the error for one field from its name, its value and what is allowed."""
        detail = f"{field} is {value!r}; allowed: {allowed}"
        pointer = "/" + field.strip("/").replace(".", "/")
        return cls(detail, (FieldFault(pointer, detail),))


class UnknownUnitError(InvalidInputError):
    """A unit cannot be understood or does not fit the quantity."""

    slug = "unknown-unit"
    title = "The unit is not understood or does not fit"


class ConfigError(LittoralError):
    """The configuration file or an environment override is wrong."""

    slug = "config"
    title = "The configuration is not valid"


class NotFoundError(LittoralError):
    """The thing asked for does not exist."""

    slug = "not-found"
    title = "Not found"
    status = 404


class GoneError(LittoralError):
    """The thing asked for was there and is no longer."""

    slug = "gone"
    title = "No longer there"
    status = 410


class ConflictError(LittoralError):
    """The request contradicts what is already there."""

    slug = "conflict"
    title = "Conflicts with what is already there"
    status = 409


class StoreUnavailableError(LittoralError):
    """The time-series store cannot be reached or refuses; nothing of the batch counts as kept."""

    slug = "store-unavailable"
    title = "The store of readings is not available"
    status = 503


class StoreRefusedError(LittoralError):
    """The store is reachable but refuses the data or the file for good; retrying will not help."""

    slug = "store-refused"
    title = "The store of readings refuses"
    status = 500


class RegistryUnavailableError(LittoralError):
    """The registry's database cannot be reached or is too busy; trying again makes sense."""

    slug = "registry-unavailable"
    title = "The registry is not available"
    status = 503


class RegistryRefusedError(LittoralError):
    """The registry's database is not one that this version can use; retrying will not help."""

    slug = "registry-refused"
    title = "The registry refuses"
    status = 500
