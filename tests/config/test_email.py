"""Options of mail: what is taken, and what is refused in which words."""

from __future__ import annotations

from dataclasses import fields
from datetime import time
from pathlib import Path

import pytest

from service.config import EmailOptions, MailServer, RecipientOptions, load_config
from service.errors import ConfigError

DOCS = (Path(__file__).parents[2] / "docs" / "email.md").read_text()
RECIPIENT = '[[integration.options.recipient]]\nname = "ana"\nto = "ana@example.org"\n'
SENDER = 'from = "littoral@example.org"\n'


def load(
    folder: Path, options: str, recipients: str = RECIPIENT, name: str = "mail"
) -> EmailOptions:
    file = folder / "littoral.toml"
    head = f'[[integration]]\nkind = "email"\nname = "{name}"\n[integration.options]\n'
    file.write_text(head + options + recipients)
    [found] = load_config(file, {}).integrations
    assert isinstance(found.options, EmailOptions)
    return found.options


@pytest.mark.parametrize(
    ("url", "server"),
    [
        ("smtp://mail.example.org", MailServer("mail.example.org", 587, "starttls")),  # RFC 6409
        ("smtps://mail.example.org", MailServer("mail.example.org", 465, "tls")),  # RFC 8314
        ("smtps://mail.example.org:4465", MailServer("mail.example.org", 4465, "tls")),
        ("smtp+plain://localhost:2525", MailServer("localhost", 2525, "none")),
        ("smtp+plain://192.168.1.9", MailServer("192.168.1.9", 25, "none")),
    ],
)
def test_the_scheme_says_how_the_server_is_reached(
    tmp_path: Path, url: str, server: MailServer
) -> None:
    assert load(tmp_path, f'server = "{url}"\n{SENDER}').server == server


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ('server = "mail.example.org"\n', "server is 'mail.example.org'; allowed: smtps://HOST"),
        ('server = "smtp://u:p@mail.example.org"\n', "no user and password"),
        ('server = "smtp://mail.example.org/x"\n', "allowed: smtps://HOST"),
        ('server = "smtp://mail.example.org:0"\n', "allowed: smtps://HOST"),
        ('server = "smtp+plain://mail.example.org"\n', "of this machine or of the local network"),
        ('server = "smtp+plain://93.184.216.34"\n', "of this machine or of the local network"),
        (
            'server = "smtp+plain://192.168.1.9"\nusername = "x"\npassword = "hidden"\n',
            "allowed: a login over TLS or STARTTLS, or at this machine",
        ),
        (
            'server = "smtp://m.example"\nusername = "x"\n',
            "username with password or password_file",
        ),
        ('server = "smtp://m.example"\npassword = "hidden"\n', "username is missing"),
        ("", "server is missing"),
    ],
)
def test_plain_servers_are_near_and_get_no_password(
    tmp_path: Path, options: str, words: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, options + SENDER)
    assert words in caught.value.detail
    assert "hidden" not in caught.value.detail


@pytest.mark.parametrize(
    ("recipient", "words"),
    [
        ('to = "ana"\n', "to is 'ana'; allowed: an address such as ana@example.org"),
        ('to = "ana@example.org\\nBcc: e@example.org"\n', "allowed: an address such as"),
        ('to = "Ana <ana@example.org>"\n', "allowed: an address such as ana@example.org"),
        ('to = "a@example.org"\ndigest = "7.30"\n', "a time of day such as 07:30, or never"),
        ('to = "a@example.org"\nunits = "stone"\n', 'allowed: "metric", "us", "imperial"'),
        ('to = "a@example.org"\nshare = "all"\n', 'allowed: "none", "read", "report"'),
        ('to = "a@example.org"\ntanks = ["Riffle"]\n', "recipient.0.tanks"),
        ('to = "a@example.org"\nwhen = "x"\n', "recipient.0.when is not a key"),
    ],
)
def test_each_wrong_recipient_is_named(tmp_path: Path, recipient: str, words: str) -> None:
    table = f'[[integration.options.recipient]]\nname = "ana"\n{recipient}'
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, f'server = "smtp://m.example"\n{SENDER}', table)
    assert words in caught.value.detail


def test_names_are_distinct_and_short_enough_to_be_stored(tmp_path: Path) -> None:
    options = f'server = "smtp://m.example"\n{SENDER}'
    with pytest.raises(ConfigError, match=r"recipient.1.name is 'ana'; allowed: another than"):
        load(tmp_path, options, RECIPIENT + RECIPIENT)
    with pytest.raises(ConfigError, match="allowed: 1 to 32 characters for kind email"):
        load(tmp_path, options, name="m" * 33)
    with pytest.raises(ConfigError, match="one at least"):
        load(tmp_path, options, "recipient = []\n")


def test_the_example_loads_and_every_option_is_documented(tmp_path: Path) -> None:
    file = tmp_path / "littoral.toml"
    file.write_text(DOCS.split("```toml\n")[1].split("```")[0])
    config = load_config(file, {})
    assert config.http.public_url == "https://tanks.example.org"
    [one] = config.integrations
    assert isinstance(one.options, EmailOptions)
    ana, keeper = one.options.recipients
    assert (ana.digest, ana.tanks, ana.share) == (time(7, 30), ("riffle",), "read")
    assert keeper.keeper and keeper.digest == time(7, 30)
    names = {field.name for kind in (EmailOptions, RecipientOptions) for field in fields(kind)}
    for name in names - {"sender", "recipients"} | {"from", "recipient"}:
        assert f"`{name}`" in DOCS or f".{name}]]" in DOCS, name
