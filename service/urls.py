"""URLs as messages show them: without user, password and parameters, which open doors."""

from __future__ import annotations

import re
from typing import Final

_SQLITE: Final = "sqlite:///"
_WEB: Final = ("http", "https")
_HIDDEN: Final = "…"
_SCHEME: Final = re.compile(r"[a-z][a-z0-9+.-]*", re.IGNORECASE)
_AUTHORITY: Final = re.compile(r"(\[[^\]]*\]|[^:\[\]]*):(.*)", re.DOTALL)
# Not from the start of the scheme: looking for that takes the square of a long text's length.
_CREDENTIALS: Final = re.compile(r"(?<=[a-z0-9+.-]://)[^\s/?#'\"<>]*@", re.IGNORECASE)


def redacted(url: str) -> str:
    """A URL without what may be secret, also one that cannot be parsed.

    What stands before the last ``@`` goes, since an unescaped password may hold any character; so
    do parameters, the path of a web address, and a port that is no number: there the host may be
    missing. Where it cannot be told what is what, all goes. A file's path stays.
    """
    if url.startswith(_SQLITE):
        return url
    scheme, separator, rest = url.partition("://") if "://" in url else ("", "", url)
    if separator and not _SCHEME.fullmatch(scheme):
        scheme = _HIDDEN
    before, _, rest = rest.rpartition("@")
    if re.search(r"[?#]", before):  # a parameter with an @ in it, or a password with a ?
        return f"{scheme}{separator}{_HIDDEN}"
    place, *parameters = re.split(r"[?#]", rest, maxsplit=1)
    authority, slash, path = place.partition("/")
    if (found := _AUTHORITY.fullmatch(authority)) and not found[2].isdecimal() and found[2]:
        authority = f"{found[1]}:{_HIDDEN}"
    if path and scheme.lower() in _WEB:
        path = _HIDDEN
    end = f"?{_HIDDEN}" if parameters else ""
    return f"{scheme}{separator}{authority}{slash}{path}{end}"


def without_credentials(text: str) -> str:
    """A text, such as another library's message, without user and password of URLs in it."""
    return _CREDENTIALS.sub(f"{_HIDDEN}@", text)
