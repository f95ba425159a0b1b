"""Sessions of the pages, and the key that their cookie is signed with."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from service.errors import ConflictError, NotFoundError
from service.registry.audit import Action
from service.registry.models.access import Scope
from service.registry.registry import open_registry
from service.registry.repositories.access.sessions import MOST_PER_TOKEN

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
IDLE = 3 * DAY


@pytest.fixture
def token(registry):
    return registry.create_token("phone", Scope.WRITE, NOW)[0].id


def begin(registry, token, at=NOW, lasts=30 * DAY):
    return registry.create_session(token, at, expires=at + lasts)


def test_a_session_is_found_by_its_secret_only(registry, token):
    begun, secret = begin(registry, token)
    _, other = begin(registry, token)
    assert registry.session_of(secret, NOW, IDLE) == begun
    mixed = "_".join([*secret.split("_")[:2], *other.split("_", 2)[2:]])
    for wrong in (mixed, secret[:-1], secret + "x", secret.upper(), "", begun.id):
        assert registry.session_of(wrong, NOW, IDLE) is None
    assert registry.token_of(secret, NOW) is None


def test_its_secret_is_nowhere_in_the_database(registry, token):
    _, secret = begin(registry, token)
    with registry.session(writes=False) as session:
        rows = session.execute(text("SELECT * FROM login_session")).all()
    assert len(rows) == 1
    assert secret.split("_", 2)[2] not in str(rows)


def test_it_ends_by_age_however_much_it_is_used(registry, token):
    _, secret = begin(registry, token, lasts=7 * DAY)
    for day in range(7):
        assert registry.session_of(secret, NOW + day * DAY, IDLE) is not None
    assert registry.session_of(secret, NOW + 7 * DAY, IDLE) is None


def test_it_ends_without_use(registry, token):
    _, secret = begin(registry, token)
    used = NOW + 2 * DAY
    assert registry.session_of(secret, used, IDLE).last_used == used
    assert registry.session_of(secret, used + timedelta(seconds=59), IDLE).last_used == used
    last = used + IDLE - HOUR
    assert registry.session_of(secret, last, IDLE).last_used == last
    assert registry.session_of(secret, last + IDLE, IDLE) is None


def test_one_that_is_ended_stays_so_and_is_listed(registry, token):
    begun, secret = begin(registry, token)
    assert registry.end_session(begun.id, NOW + HOUR).ended == NOW + HOUR
    assert registry.session_of(secret, NOW + HOUR, IDLE) is None
    assert registry.end_session(begun.id, NOW + DAY).ended == NOW + HOUR
    assert [one.ended for one in registry.login_sessions()] == [NOW + HOUR]
    with pytest.raises(NotFoundError, match="'nothing'"):
        registry.end_session("nothing", NOW)
    with pytest.raises(NotFoundError, match="'nothing'"):
        registry.login_session("nothing")


def test_the_sessions_of_one_token_end_together_but_one(registry, token):
    other = registry.create_token("tablet", Scope.READ, NOW)[0].id
    kept, first = begin(registry, token)[0].id, begin(registry, token)[0].id
    foreign = begin(registry, other)[0].id
    assert [one.id for one in registry.end_sessions(NOW, token=token, but=kept)] == [first]
    assert registry.end_sessions(NOW, token=token, but=kept) == []
    assert {one.id for one in registry.login_sessions(token)} == {kept, first}
    assert {one.id for one in registry.end_sessions(NOW)} == {kept, foreign}


def test_they_end_with_their_token(registry, token):
    _, secret = begin(registry, token)
    registry.revoke_token(token, NOW + HOUR)
    assert registry.session_of(secret, NOW + HOUR, IDLE) is None
    assert [one.ended for one in registry.login_sessions(token)] == [NOW + HOUR]


def test_none_without_a_token(registry):
    with pytest.raises(ConflictError):
        begin(registry, "ffffffffffff")


def test_a_token_has_only_so_many(registry, token):
    secrets = [begin(registry, token, NOW + n * HOUR)[1] for n in range(MOST_PER_TOKEN + 2)]
    later = NOW + MOST_PER_TOKEN * HOUR
    active = [registry.session_of(secret, later, IDLE) is not None for secret in secrets]
    assert active == [False, False] + [True] * MOST_PER_TOKEN


def test_old_ones_are_pruned(registry, token):
    ended = begin(registry, token)[0].id
    registry.end_session(ended, NOW + HOUR)
    expired = begin(registry, token, lasts=2 * HOUR)[0].id
    unused = begin(registry, token)[0].id
    active = begin(registry, token, NOW + 4 * HOUR)[0].id
    assert registry.prune_sessions(NOW) == 0
    assert registry.prune_sessions(NOW + 3 * HOUR) == 3
    assert [one.id for one in registry.login_sessions()] == [active]
    for gone in (ended, expired, unused):
        with pytest.raises(NotFoundError):
            registry.login_session(gone)


def test_every_process_signs_with_the_same_key(registry, registry_url):
    key = registry.signing_key("session")
    other = open_registry(registry_url)
    assert other.signing_key("session") == key
    assert other.signing_key("form") != key
    assert len(key) == 32
    other.close()


def test_a_new_key_is_seen_by_every_process_and_ends_all_sessions(registry, registry_url, token):
    other = open_registry(registry_url)
    _, secret = begin(registry, token)
    before = registry.signing_key()
    assert other.signing_key() == before
    assert other.session_of(secret, NOW, IDLE) is not None
    assert registry.rotate_signing_key(NOW) == 1
    assert registry.signing_key() == other.signing_key() != before
    assert other.session_of(secret, NOW, IDLE) is None
    other.close()


def test_a_key_can_be_replaced_before_it_was_used(registry):
    assert registry.rotate_signing_key(NOW) == 0
    assert [one.action for one in registry.audit()] == [Action.KEY_ROTATED]
    assert registry.signing_key() == registry.signing_key()
