"""What is said of a backup that is not made, or not restored."""

from __future__ import annotations

from service.errors import LittoralError


class BackupRefusedError(LittoralError):
    """A file is no backup, is damaged or of another version, or must not be overwritten."""
