"""What is read again and again is kept, and never older than the database."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import event

from service.errors import NotFoundError, RegistryRefusedError
from service.registry.database import cache
from service.registry.database.connection import make_engine
from service.registry.models.access import Scope
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from tests.another_process import AnotherProcess
from tests.servers import wait_until

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
LASTING = (LogKind.KH_TEST, LogKind.WATER_CHANGE)
REED = Tank("reed", "Reed bed")

_PREPARED = """
from datetime import UTC, datetime
from service.registry.models.access import Scope
from service.registry.registry import open_registry
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
registry = open_registry(sys.argv[1])
noon = datetime(2026, 5, 4, 12, tzinfo=UTC)
"""


@pytest.fixture
def other(registry, registry_url):
    process = AnotherProcess(_PREPARED, registry_url)
    yield process
    process.end()


@pytest.fixture
def statements(registry):
    """What is asked of the registry's database, as it is asked."""
    seen = []
    event.listen(registry.engine, "before_cursor_execute", lambda *given: seen.append(given[2]))
    return seen


def entries(registry, since=NOON):
    return [one.note for one in registry.log_in_force("reed", since, LASTING)]


def test_another_process_changes_are_seen_at_once(registry, other):
    registry.put_tank(REED)
    assert registry.tank("reed") == REED
    assert not registry.has_tokens()
    assert entries(registry) == []
    for number in range(3):
        other.does(f"registry.put_tank(Tank('reed', 'Name {number}'))")
        assert registry.tank("reed").name == f"Name {number}"
        other.does(f"registry.add_log('reed', LogKind.OBSERVATION, noon, note='Note {number}')")
        assert len(entries(registry)) == number + 1
    other.does("registry.create_token('cupboard', Scope.READ, noon)")
    assert registry.has_tokens()
    other.does("registry.delete_log(registry.log('reed')[0].id)")
    assert len(entries(registry)) == 2
    other.does("registry.delete_tank('reed')")
    with pytest.raises(NotFoundError):
        registry.tank("reed")
    with pytest.raises(NotFoundError):
        entries(registry)


def test_own_changes_are_seen_at_once(registry):
    registry.put_tank(REED)
    assert registry.tank("reed").name == "Reed bed"
    registry.put_tank(Tank("reed", "Reed bed, north"))
    assert registry.tank("reed").name == "Reed bed, north"
    token, secret = registry.create_token("cupboard", Scope.READ, NOON)
    assert registry.token_of(secret, NOON).last_used == NOON
    assert registry.token(token.id).last_used == NOON
    registry.revoke_token(token.id, NOON)
    assert registry.token_of(secret, NOON) is None


def test_a_token_of_another_process_that_is_revoked_there_is_let_in_no_more(registry, other):
    token, secret = registry.create_token("cupboard", Scope.READ, NOON)
    assert registry.token_of(secret, NOON) is not None
    other.does(f"registry.revoke_token({token.id!r}, noon)")
    assert registry.token_of(secret, NOON) is None


def test_what_has_not_changed_is_not_asked_again(registry, statements):
    registry.put_tank(REED)

    def asked_again():
        statements.clear()
        registry.tank("reed"), registry.has_tokens(), entries(registry)
        return bool(statements)

    assert asked_again()
    # PostgreSQL's own upkeep may come in between, now and then.
    wait_until(lambda: not asked_again())
    # Any change counts, to other tanks too: which rows changed is not told.
    registry.put_tank(Tank("moss", "Moss wall"))
    assert asked_again()


def test_a_change_while_the_answer_is_read_is_not_missed(registry, other):
    registry.put_tank(REED)

    def read_slowly():
        name = registry.tank("reed").name
        other.does("registry.put_tank(Tank('reed', 'Another name'))")
        return name

    assert registry.cache.get("name", read_slowly) == "Reed bed"
    assert registry.cache.get("name", lambda: registry.tank("reed").name) == "Another name"


def test_answers_that_are_kept_are_bounded(tmp_path, monkeypatch):
    monkeypatch.setattr(cache, "MOST", 3)
    engine = make_engine(f"sqlite:///{tmp_path}/any.db")
    answers = cache.QueryCache(engine)
    asked = []

    def ask(number):
        return answers.get(number, lambda: asked.append(number) or number)

    for number in (1, 2, 3, 4, 2, 3, 4, 1):
        assert ask(number) == number
    assert asked == [1, 2, 3, 4, 1]
    answers.close()
    engine.dispose()


def test_a_registry_that_cannot_be_read_is_told(tmp_path):
    path = tmp_path / "registry.db"
    registry = open_registry(f"sqlite:///{path}")
    registry.put_tank(REED)
    registry.close()
    path.write_bytes(b"this is a diary, not a database\n" * 100)
    (tmp_path / "registry.db-wal").unlink(missing_ok=True)
    with pytest.raises(RegistryRefusedError, match="not a database; restore a backup"):
        registry.tank("reed")


def test_the_log_in_force_reaches_back_for_what_lasts(registry):
    registry.put_tank(REED)

    def add(kind, days, note, **data):
        registry.add_log("reed", kind, NOON - timedelta(days=days), data, note)

    add(LogKind.KH_TEST, 200, "KH, old", kh_meq_l=1.0)
    add(LogKind.KH_TEST, 100, "KH", kh_meq_l=1.0)
    add(LogKind.TRIM, 90, "trim, old")
    add(LogKind.TRIM, 0.4, "trim of the same day")
    add(LogKind.WATER_CHANGE, 50, "change, old", fraction=0.5)
    add(LogKind.WATER_CHANGE, -1, "change to come", fraction=0.5)
    add(LogKind.TRIM, -2, "trim to come")
    found = entries(registry)
    assert found[:2] == ["trim to come", "change to come"]
    assert found[2:] == ["trim of the same day", "change, old", "KH"]


def test_the_log_in_force_asks_once_for_all_its_kinds(registry, statements):
    registry.put_tank(REED)
    registry.add_log("reed", LogKind.KH_TEST, NOON - timedelta(days=9), {"kh_meq_l": 1.0})
    statements.clear()
    entries(registry)
    assert sum("log_entry" in one for one in statements) == 1
