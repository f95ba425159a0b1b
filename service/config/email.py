"""Options of mail: the server that sends it, and who gets it when; and what each key may be."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import time
from email.errors import MessageError
from ipaddress import ip_address
from typing import TYPE_CHECKING, Any, Final, Literal
from urllib.parse import urlsplit

from marshmallow import ValidationError, post_load, validates_schema
from marshmallow import fields as f

from service.config.addresses import is_public
from service.config.fields import Section, number, one_of, text, whole_number
from service.errors import LEFT_OUT, Refusal

if TYPE_CHECKING:
    from email.headerregistry import Address

STARTTLS_PORT: Final = 587
"""Submission, RFC 6409."""
TLS_PORT: Final = 465
"""Submission over TLS from the first byte, RFC 8314."""
PLAIN_PORT: Final = 25

_SERVER: Final = (
    "smtps://HOST[:PORT] (TLS), smtp://HOST[:PORT] (STARTTLS), or smtp+plain://HOST[:PORT] for an "
    "address of this machine or of the local network; no user and password"
)
_ADDRESS: Final = "an address such as ana@example.org"
_SENDER: Final = "an address such as littoral@example.org, or Littoral <littoral@example.org>"
_AT: Final = "a time of day such as 07:30, or never"

Units = Literal["metric", "us", "imperial"]


@dataclass(frozen=True, slots=True)
class RecipientOptions:
    """Somebody who gets mail.

    Attributes:
        name: in lists, statuses and links; no two of an integration have the same.
        to: the address.
        tanks: ids; (): all tanks.
        digest: time of day, in the tanks' zones, of the mail with what is to do; None: never.
        urgent: urgent recommendations are sent at once.
        keeper: what only the tank keeper may do is written out; else its titles alone.
        units: amounts are given in these as well.
        share: a link to the handover sheet: ``read``, or ``report`` with the right to report.
    """

    name: str
    to: str = field(repr=False)
    tanks: tuple[str, ...] = ()
    digest: time | None = time(7, 30)
    urgent: bool = True
    keeper: bool = False
    units: Units = "metric"
    share: Literal["none", "read", "report"] = "none"

    def gets(self, tank: str) -> bool:
        """Whether mail about a tank goes to this recipient."""
        return not self.tanks or tank in self.tanks


def delivery_target(integration: str, recipient: str) -> str:
    """The name under which deliveries to a recipient are stored."""
    return f"{integration}/{recipient}"


@dataclass(frozen=True, slots=True)
class MailServer:
    """Where mail is handed in.

    Attributes:
        security: ``tls`` from the first byte, ``starttls``, or ``none``.
    """

    host: str
    port: int
    security: Literal["tls", "starttls", "none"]


@dataclass(frozen=True, slots=True)
class EmailOptions:
    """Mail to people.

    Attributes:
        server: that takes the mail in.
        sender: the From address, with or without a name.
        recipients: who gets it.
        username: for the login; None: there is none.
        password, password_file: or a file that holds it, which is read at each login.
        ca_file: certificates to trust instead of the system's.
        timeout_s: for connecting, and for each wait on an answer.
        attempts: how many before a mail is given up; 80 take about three days.
    """

    server: MailServer
    sender: str
    recipients: tuple[RecipientOptions, ...]
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    password_file: str | None = None
    ca_file: str | None = None
    timeout_s: float = 20.0
    attempts: int = 80


class _Server(f.String):
    def _deserialize(self, *args: Any, **kwargs: Any) -> Any:
        given = super()._deserialize(*args, **kwargs)
        kinds: dict[str, tuple[Literal["tls", "starttls", "none"], int]] = {
            "smtps": ("tls", TLS_PORT),
            "smtp": ("starttls", STARTTLS_PORT),
            "smtp+plain": ("none", PLAIN_PORT),
        }
        try:
            parts = urlsplit(given)
            security, usual = kinds[parts.scheme]
            bare = (parts.username, parts.path, parts.query, parts.fragment)
            if not parts.hostname or any(bare) or any(map(str.isspace, given)):
                raise ValueError(given)
            found = MailServer(
                parts.hostname, usual if parts.port is None else parts.port, security
            )
        except (KeyError, ValueError) as error:
            raise ValidationError([Refusal(given, _SERVER)]) from error
        if found.port == 0 or (security == "none" and not _is_near(found.host)):
            raise ValidationError([Refusal(given, _SERVER)])
        return found


def _is_near(host: str) -> bool:
    """Whether a host needs no TLS: this machine, or an address that is not public."""
    try:
        return not is_public(ip_address(host))
    except ValueError:
        return host == "localhost"


def _is_own(host: str) -> bool:
    """Whether a host is this machine."""
    return host == "localhost" or ip_address(host).is_loopback


class _Mailbox(f.String):
    """An address; ``named``: it may have a display name before it."""

    def __init__(self, *, named: bool = False, **kwargs: Any) -> None:
        self.named = named
        allowed = _SENDER if named else _ADDRESS
        super().__init__(required=True, metadata={"allowed": allowed}, **kwargs)

    def _deserialize(self, *args: Any, **kwargs: Any) -> Any:
        given = super()._deserialize(*args, **kwargs)
        try:
            return str(mailbox(given, named=self.named))
        except ValueError as error:
            raise ValidationError("no address") from error


def mailbox(text: str, *, named: bool = False) -> Address:
    """An address, ``ana@example.org`` or, where ``named``, ``Ana <ana@example.org>``.

    Raises:
        ValueError: it is none, or not in ASCII: few servers take others (RFC 6531).
    """
    from email.headerregistry import Address  # half a megabyte that few configurations need

    name, spec = "", text
    if named and text.endswith(">") and "<" in text:
        name, _, spec = text[:-1].rpartition("<")
    if not spec.isascii() or not (name + spec).isprintable() or "@" not in spec:
        raise ValueError(text)
    try:
        found = Address(name.strip().strip('"'), addr_spec=spec)
    except (MessageError, IndexError) as error:
        raise ValueError(text) from error
    if not found.username or not found.domain or " " in spec:
        raise ValueError(text)
    return found


class _TimeOfDay(f.String):
    """A time of day, or ``never``."""

    def _deserialize(self, *args: Any, **kwargs: Any) -> Any:
        given = super()._deserialize(*args, **kwargs)
        if given == "never":
            return None
        try:
            at = time.fromisoformat(given)
        except ValueError as error:
            raise ValidationError("no time") from error
        if at.tzinfo is not None or at.microsecond:
            raise ValidationError("no time of day")
        return at


class RecipientSchema(Section):
    """One recipient."""

    target = RecipientOptions
    name = text("1 to 31 of a-z, 0-9 and -", r"[a-z0-9-]{1,31}", required=True)
    to = _Mailbox()
    tanks = f.List(
        text("the id of a tank", r"[a-z0-9-]{1,64}"),
        metadata={"allowed": "a list of ids of tanks; all tanks without the key"},
    )
    digest = _TimeOfDay(metadata={"allowed": _AT})
    urgent = f.Boolean(metadata={"allowed": "true or false"})
    keeper = f.Boolean(metadata={"allowed": "true or false"})
    units = one_of("metric", "us", "imperial")
    share = one_of("none", "read", "report")

    @post_load
    def _build(self, data: dict[str, Any], **_: Any) -> Any:
        return RecipientOptions(**{**data, "tanks": tuple(data.get("tanks", ()))})


class EmailSchema(Section):
    """Options of mail."""

    target = EmailOptions
    server = _Server(required=True, metadata={"allowed": _SERVER})
    sender = _Mailbox(named=True, data_key="from")
    recipients = f.List(
        f.Nested(RecipientSchema),
        data_key="recipient",
        required=True,
        metadata={"allowed": "tables [[integration.options.recipient]], one at least"},
    )
    username = text("a text")
    password = text("a text")
    password_file = text("path of a file that holds the password")
    ca_file = text("path of the certificates to trust instead of the system's")
    timeout_s = number(1, 120, "s")
    attempts = whole_number(1, 1000)

    @validates_schema
    def _check_login(self, data: dict[str, Any], **_: Any) -> None:
        given = [name for name in ("password", "password_file") if name in data]
        if len(given) != ("username" in data):
            allowed = "username with password or password_file, or none of the three"
            raise ValidationError({"username": [Refusal(data.get("username", LEFT_OUT), allowed)]})
        server: MailServer | None = data.get("server")
        if given and server and server.security == "none" and not _is_own(server.host):
            allowed = "a login over TLS or STARTTLS, or at this machine"
            raise ValidationError({"username": [Refusal(data["username"], allowed)]})

    @validates_schema
    def _check_recipients(self, data: dict[str, Any], **_: Any) -> None:
        names = [one.name for one in data["recipients"]]
        if not names:
            raise ValidationError({"recipient": ["none"]})
        for index, name in enumerate(names):
            if names.index(name) != index:
                refusal = Refusal(name, f"another than recipient.{names.index(name)}.name")
                raise ValidationError({"recipient": {index: {"name": [refusal]}}})

    @post_load
    def _build(self, data: dict[str, Any], **_: Any) -> Any:
        return EmailOptions(**{**data, "recipients": tuple(data["recipients"])})
