"""A letter as a mail message: headers, plain text and HTML."""

from __future__ import annotations

import email.policy
import hashlib
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Final

from service.config import RecipientOptions
from service.config.email import mailbox
from service.integrations.email.letter import Letter, html, plain_text

LONGEST_SUBJECT: Final = 150
_POLICY: Final = email.policy.SMTP


def message_of(
    letter: Letter,
    *,
    sender: str,
    recipient: RecipientOptions,
    id: str,
    now: datetime,
    unsubscribe: str = "",
) -> EmailMessage:
    """The mail that carries a letter.

    Args:
        id: of the event that it is about: a repetition after a crash has the same Message-ID, by
            which the recipient's server or program may know it.
        unsubscribe: https address that ends the mail with one POST (RFC 8058); "" for none.
    """
    domain = mailbox(sender, named=True).domain
    message = EmailMessage(policy=_POLICY)
    message["From"] = mailbox(sender, named=True)
    message["To"] = mailbox(recipient.to)
    message["Subject"] = one_line(letter.subject)[:LONGEST_SUBJECT]
    message["Date"] = format_datetime(now.astimezone(UTC))
    message["Message-ID"] = f"<{_digest(id, recipient.to)}@{domain}>"
    # Mail about one tank is one thread: the same first message, which nobody has, is its root.
    root = f"<tank-{_digest(letter.thread, recipient.to)}@{domain}>"
    message["In-Reply-To"] = root
    message["References"] = root
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: nothing answers it by itself
    if letter.urgent:
        message["Importance"] = "high"
    if unsubscribe:
        message["List-Unsubscribe"] = f"<{unsubscribe}>"
        message["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    message.set_content(plain_text(letter))
    message.add_alternative(html(letter), subtype="html")
    return message


def one_line(text: str) -> str:
    """A text for a header: no line breaks, control or direction characters."""
    return " ".join("".join(one if one.isprintable() else " " for one in text).split())


def _digest(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]
