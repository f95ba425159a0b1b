"""The project's own errors for what a database reports."""

from __future__ import annotations

from service.errors import LittoralError, RegistryRefusedError, RegistryUnavailableError


def database_error(error: object, *, damaged: bool) -> LittoralError:
    """The error for one that the database's driver raised.

    Args:
        damaged: it is no database, or a damaged one: trying again will not help.
    """
    reason = (str(error).strip() or "no reason").splitlines()[0]
    detail = f"the registry's database reports: {reason}"
    if damaged:
        return RegistryRefusedError(f"{detail}; restore a backup, or name another file")
    return RegistryUnavailableError(detail)
