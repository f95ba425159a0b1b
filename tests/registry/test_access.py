"""Tokens and sharing links."""

import re
import string
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from service.errors import ConflictError, GoneError, InvalidInputError, NotFoundError
from service.registry.models.access import Scope
from service.registry.models.tank import Tank

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def test_a_token_opens_by_its_secret_only(registry):
    token, secret = registry.create_token("kitchen script", Scope.READ, NOW)
    _, other = registry.create_token("another", Scope.ADMIN, NOW)
    found = registry.token_of(secret, NOW)
    assert (found.id, found.name, found.scope) == (token.id, "kitchen script", Scope.READ)
    mixed = "_".join([*secret.split("_")[:2], *other.split("_", 2)[2:]])
    for wrong in (mixed, secret[:-1], secret + "x", secret.upper(), "", "littoral__", token.id):
        assert registry.token_of(wrong, NOW) is None


def test_a_secret_has_256_random_bits_and_is_fit_for_a_header(registry):
    secrets = {registry.create_token(f"n{n}", Scope.READ, NOW)[1] for n in range(20)}
    randoms = {secret.split("_", 2)[2] for secret in secrets}
    assert len(randoms) == 20
    for random in randoms:
        assert len(random) * 6 >= 256  # base64url: six bits a character
        assert set(random) <= set(string.ascii_letters + string.digits + "-_")


def test_the_secret_is_nowhere_in_the_database(registry):
    _, secret = registry.create_token("a", Scope.WRITE, NOW)
    registry.put_tank(Tank("a", "A"))
    _, link = registry.create_share("a", NOW, NOW + DAY, NOW, expires=NOW + DAY)
    with registry.session(writes=False) as session:
        stored = "".join(
            str(row._asdict())
            for table in ("token", "share_link")
            for row in session.execute(text(f"SELECT * FROM {table}"))
        )
    for whole in (secret, link):
        assert whole not in stored
        assert whole.split("_", 2)[2] not in stored
    seals = re.findall(r"[0-9a-f]{32}:[0-9a-f]{64}", stored)
    assert len(set(seals)) == 2


def test_scopes_include_the_smaller_ones():
    covers = {(a, b): a.covers(b) for a in Scope for b in Scope}
    assert [pair for pair, yes in covers.items() if not yes] == [
        (Scope.READ, Scope.WRITE),
        (Scope.READ, Scope.ADMIN),
        (Scope.WRITE, Scope.ADMIN),
    ]


def test_a_token_ends_when_it_expires(registry):
    _, secret = registry.create_token("a", Scope.READ, NOW, expires=NOW + DAY)
    assert registry.token_of(secret, NOW + DAY - timedelta(microseconds=1)) is not None
    assert registry.token_of(secret, NOW + DAY) is None


def test_a_token_ends_when_it_is_revoked(registry):
    token, secret = registry.create_token("a", Scope.READ, NOW)
    assert registry.revoke_token(token.id, NOW + DAY).revoked == NOW + DAY
    assert registry.token_of(secret, NOW) is None
    assert registry.revoke_token(token.id, NOW + 2 * DAY).revoked == NOW + DAY
    assert registry.has_tokens()
    with pytest.raises(NotFoundError, match="'ffffffffffff'"):
        registry.revoke_token("ffffffffffff", NOW)


def test_a_name_is_free_again_once_its_token_is_invalid(registry):
    first, _ = registry.create_token("a", Scope.READ, NOW, expires=NOW + DAY)
    with pytest.raises(ConflictError, match="'a' exists already"):
        registry.create_token("a", Scope.READ, NOW)
    second, _ = registry.create_token("a", Scope.READ, NOW + DAY)
    registry.revoke_token(second.id, NOW + DAY)
    third, _ = registry.create_token("a", Scope.READ, NOW + DAY)
    assert {token.id for token in registry.tokens()} == {first.id, second.id, third.id}


def test_last_use_is_kept_to_the_minute(registry):
    token, secret = registry.create_token("a", Scope.READ, NOW)
    assert registry.token(token.id).last_used is None
    registry.token_of(secret, NOW)
    registry.token_of(secret, NOW + timedelta(seconds=59))
    assert registry.token(token.id).last_used == NOW
    registry.token_of(secret, NOW + timedelta(seconds=60))
    assert registry.token(token.id).last_used == NOW + timedelta(seconds=60)


def test_without_tokens_it_says_so(registry):
    assert not registry.has_tokens()
    assert registry.tokens() == []
    with pytest.raises(NotFoundError):
        registry.token("x")


@pytest.mark.parametrize(
    ("name", "scope", "expires", "pointer"),
    [
        ("", Scope.READ, None, "/name"),
        ("a", "root", None, "/scope"),
        ("a", Scope.READ, NOW, "/expires"),
        ("a", Scope.READ, NOW.replace(tzinfo=None), "/expires"),
    ],
)
def test_a_wrong_token_is_refused(registry, name, scope, expires, pointer):
    with pytest.raises(InvalidInputError) as caught:
        registry.create_token(name, scope, NOW, expires=expires)
    assert [fault.pointer for fault in caught.value.faults] == [pointer]


def test_a_link_shows_one_tank_until_it_expires(registry):
    registry.put_tank(Tank("a", "A"))
    link, secret = registry.create_share(
        "a", NOW, NOW + 7 * DAY, NOW, expires=NOW + 8 * DAY, name="for Ilse"
    )
    found = registry.share_of(secret, NOW + DAY)
    assert (found.tank, found.start, found.end) == ("a", NOW, NOW + 7 * DAY)
    assert registry.shares("a")[0].last_used == NOW + DAY
    with pytest.raises(GoneError, match="expired on"):
        registry.share_of(secret, NOW + 8 * DAY)
    for wrong in (secret[:-1], f"{secret[:-1]}{'A' if secret[-1] != 'A' else 'B'}", "", "sheet"):
        with pytest.raises(NotFoundError, match="no such link"):
            registry.share_of(wrong, NOW)
    assert registry.token_of(secret, NOW) is None
    assert [one.name for one in registry.shares()] == ["for Ilse"]
    assert registry.shares("b") == []
    registry.revoke_share(link.id, NOW + DAY)
    with pytest.raises(GoneError, match="was revoked on"):
        registry.share_of(secret, NOW + DAY)
    with pytest.raises(NotFoundError):
        registry.revoke_share("nothing", NOW)


def test_a_link_goes_with_its_tank(registry):
    registry.put_tank(Tank("a", "A"))
    _, secret = registry.create_share("a", NOW, NOW + DAY, NOW, expires=NOW + DAY)
    registry.delete_tank("a")
    with pytest.raises(NotFoundError, match="no such link"):
        registry.share_of(secret, NOW)


def test_a_link_always_has_an_end(registry):
    registry.put_tank(Tank("a", "A"))
    for expires in (NOW, NOW - DAY, NOW + 400 * DAY):
        with pytest.raises(InvalidInputError, match="expires"):
            registry.create_share("a", NOW, NOW + DAY, NOW, expires=expires)
    with pytest.raises(InvalidInputError, match="end is"):
        registry.create_share("a", NOW, NOW, NOW, expires=NOW + DAY)
    with pytest.raises(NotFoundError, match="'b'"):
        registry.create_share("b", NOW, NOW + DAY, NOW, expires=NOW + DAY)
