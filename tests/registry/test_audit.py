"""Records of writes: in the transaction of the write, by the actor at that moment, pruned."""

from __future__ import annotations

import getpass
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import update

from service.pages.audit import WORDS
from service.registry.audit import (
    Action,
    Actor,
    ActorKind,
    AuditedWrite,
    act_as,
    acting_as,
    present_actor,
)
from service.registry.models.access import Scope
from service.registry.models.tank import Tank
from service.registry.tables.access import AuditRow

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
PHONE = Actor(ActorKind.TOKEN, "4be1", "phone", "192.0.2.7")


def test_a_command_is_recorded_for_the_user_who_runs_it(registry):
    token, _ = registry.create_token("phone", Scope.READ, NOW)
    registry.revoke_token(token.id, NOW)
    registry.revoke_token(token.id, NOW)
    revoked, created = registry.audit()
    assert (created.action, revoked.action) == (Action.TOKEN_CREATED, Action.TOKEN_REVOKED)
    assert {created.subject, revoked.subject} == {f"tokens/{token.id}"}
    assert created.actor == Actor(ActorKind.USER, name=getpass.getuser())


def test_record_and_write_happen_together_or_not_at_all(registry):
    write = AuditedWrite(Action.TANK_CHANGED, "tanks/a")
    with pytest.raises(ZeroDivisionError), registry.session(writes=write):
        raise ZeroDivisionError
    assert registry.audit() == []
    with acting_as(PHONE):
        registry.put_tank(Tank("a", "A"))
    assert present_actor().kind is ActorKind.USER
    [record] = registry.audit(actor="phone")
    assert registry.audit(actor="4be1") == [record]
    assert record.actor == PHONE
    assert datetime.now(UTC) - record.time < timedelta(minutes=5)
    act_as(PHONE)
    registry.delete_tank("a")
    act_as(None)
    assert registry.audit(limit=1)[0].actor == PHONE


def test_a_repeated_write_is_recorded_once_in_a_while(registry):
    write = AuditedWrite(Action.READINGS_ADDED, "tanks/a", at_most_every=timedelta(hours=1))
    for actor in (PHONE, PHONE, Actor(ActorKind.TOKEN, "5", "hub")):
        with acting_as(actor):
            registry.record(write)
            with registry.session(writes=write):
                pass
    assert [one.actor.name for one in registry.audit()] == ["hub", "phone"]
    aged(registry, timedelta(hours=1))
    with acting_as(PHONE):
        registry.record(write)
    assert len(registry.audit()) == 3


def aged(registry, age):
    """Make all records older."""
    with registry.session(writes="bookkeeping") as session:
        session.execute(update(AuditRow).values(time=datetime.now(UTC) - age))


def test_records_are_pruned_by_age_and_refusals_by_number(registry):
    registry.put_tank(Tank("a", "A"))
    aged(registry, timedelta(days=3))
    registry.put_tank(Tank("b", "B"))
    for number in range(5):
        registry.record(AuditedWrite(Action.LOGIN_REFUSED, f"tokens/{number}"))
    assert registry.prune_audit(datetime.now(UTC) - timedelta(days=4)) == 0
    assert registry.prune_audit(datetime.now(UTC) - timedelta(days=2), refused=5) == 1
    assert registry.prune_audit(datetime.now(UTC) - timedelta(days=2), refused=2) == 3
    assert [one.subject for one in registry.audit()] == ["tokens/4", "tokens/3", "tanks/b"]


def test_every_action_has_words_for_people():
    assert set(WORDS) == set(Action)
