"""The registry's contract."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta, timezone

import pytest

from service.errors import (
    ConflictError,
    InvalidInputError,
    NotFoundError,
    PreconditionFailedError,
)
from service.registry.database.versions import Precondition
from service.registry.models.absence import Absence
from service.registry.models.ingest import Rejection
from service.registry.models.log import LogKind
from service.registry.models.plans import (
    Cylinder,
    DosePlan,
    GasPlan,
    LightPlan,
    PlantTargets,
    Salt,
    WaterChangePlan,
)
from service.registry.models.tank import Dimensions, Stock, Tank

NOON = datetime(2026, 5, 4, 12, 0, 0, 123457, tzinfo=UTC)

FULL_TANK = Tank(
    id="long-shelf",
    name="Langes Regal ☀ 水草",
    time_zone="Europe/Vienna",
    dimensions=Dimensions(90, 45, 45, 41.3, 6.1, 0.37, 4.2),
    net_volume_l=0.1 + 0.2,
    altitude_m=171.5,
    kh_meq_l=1.4266,
    kh_tested=date(2026, 4, 30),
    gh_meq_l=2.1,
    energy="high",
    heated=False,
    co2_injected=True,
    set_up=date(2025, 11, 2),
    animals=(
        Stock("Paracheirodon innesi", 20, date(2026, 5, 1)),
        Stock("Neocaridina davidi", 40, None, 17.5, 27.5, 22.0, False),
    ),
    targets=PlantTargets(18, 28, 2, 5),
    light=LightPlan(time(10, 30, 15), 7.5),
    gas=GasPlan(time(8, 30), time(17, 0)),
    water_change=WaterChangePlan(3.5, 0.6, 1.1, 21.0),
    doses=(
        DosePlan("nitrate", 5.0, salts=(Salt("KNO3", 30.0), Salt("K2SO4", 5.0)), bottle_ml=500.0),
        DosePlan("gypsum", None, 3.07),
        DosePlan("iron", 2.0, label_mg={"Fe": 1.5}),
    ),
    sensors={"temperature": "probe-2"},
    cylinder=Cylinder(2000.0, date(2026, 1, 2)),
    equipment={"lamps": ["left", "right"], "reactor": {"inline": True}},
    thresholds={"co2_margin": 2.5, "tiny": 1e-300},
    notes="two\nlines",
)


def test_a_full_tank_comes_back_exactly(registry):
    assert registry.put_tank(FULL_TANK).created is True
    assert registry.tank("long-shelf") == FULL_TANK


def test_a_bare_tank_comes_back_exactly(registry):
    bare = Tank("nano", "Nano")
    registry.put_tank(bare)
    assert registry.tank("nano") == bare


def test_putting_again_replaces(registry):
    registry.put_tank(FULL_TANK)
    assert registry.put_tank(replace(FULL_TANK, name="renamed", animals=())).created is False
    assert registry.tanks() == [replace(FULL_TANK, name="renamed", animals=())]


def test_tanks_are_sorted_by_id(registry):
    for id in ("c", "a", "b"):
        registry.put_tank(Tank(id, id))
    assert [tank.id for tank in registry.tanks()] == ["a", "b", "c"]


def test_a_tank_changed_in_between_is_not_overwritten(registry):
    read = Tank("a", "first")
    seen = Precondition(versions=frozenset({registry.put_tank(read).version}))
    present = registry.put_tank(replace(read, name="by somebody else"))
    for write in (
        lambda: registry.put_tank(replace(read, name="mine"), only_if=seen),
        lambda: registry.change_tank("a", lambda _: replace(read, name="mine"), only_if=seen),
        lambda: registry.delete_tank("a", only_if=seen),
        lambda: registry.put_tank(read, only_if=Precondition(exists=False)),
    ):
        with pytest.raises(PreconditionFailedError, match=f'version is "{present.version}"'):
            write()
    assert registry.stored_tank("a") == replace(present, created=False)
    now = Precondition(versions=frozenset({present.version}))
    written = registry.put_tank(replace(read, name="mine"), only_if=now)
    assert (written.created, registry.stored_tank("a")) == (False, written)
    with pytest.raises(PreconditionFailedError, match="there is none"):
        registry.put_tank(Tank("b", "B"), only_if=Precondition(exists=True))


def test_a_change_that_fails_changes_nothing(registry):
    before = registry.put_tank(Tank("a", "first"))
    with pytest.raises(ZeroDivisionError):
        registry.change_tank("a", lambda _: 1 // 0)
    with pytest.raises(InvalidInputError, match="name"):
        registry.change_tank("a", lambda tank: replace(tank, name=""))
    assert registry.stored_tank("a") == replace(before, created=False)


def test_the_list_of_absences_has_a_version_also_while_it_is_empty(registry):
    empty = registry.stored_absences()
    assert empty.value == []
    seen = Precondition(versions=frozenset({empty.version}))
    written = registry.put_absences([], only_if=seen)
    assert registry.stored_absences() == written
    with pytest.raises(PreconditionFailedError, match=written.version):
        registry.put_absences([], only_if=seen)


def test_an_unknown_tank_is_named(registry):
    with pytest.raises(NotFoundError, match="'nowhere'"):
        registry.tank("nowhere")
    with pytest.raises(NotFoundError, match="'nowhere'"):
        registry.delete_tank("nowhere")
    with pytest.raises(NotFoundError, match="'nowhere'"):
        registry.log("nowhere")
    with pytest.raises(NotFoundError, match="'nowhere'"):
        registry.add_log("nowhere", LogKind.OBSERVATION, NOON, note="seen nothing")


def test_deleting_a_tank_takes_its_log_along(registry):
    registry.put_tank(Tank("a", "a"))
    entry = registry.add_log("a", LogKind.OBSERVATION, NOON, note="clear")
    registry.delete_tank("a")
    with pytest.raises(NotFoundError):
        registry.log_entry(entry.id)
    registry.put_tank(Tank("a", "a"))
    assert registry.log("a") == []


def test_a_log_entry_comes_back_exactly_in_utc(registry):
    registry.put_tank(Tank("a", "a"))
    vienna = timezone(timedelta(hours=2))
    entry = registry.add_log(
        "a",
        LogKind.WATER_CHANGE,
        NOON.astimezone(vienna),
        {"fraction": 0.5},
        "after the trim",
        "Ilse",
        NOON + timedelta(minutes=5),
    )
    assert registry.log("a") == [entry]
    assert registry.log_entry(entry.id) == entry
    read = registry.log_entry(entry.id)
    assert read.time == NOON
    assert read.time.utcoffset() == timedelta(0)


def test_log_is_newest_first_and_filtered(registry):
    registry.put_tank(Tank("a", "a"))
    registry.put_tank(Tank("b", "b"))
    registry.add_log("b", LogKind.TRIM, NOON, {"fraction": 0.3})
    kinds = (LogKind.TRIM, LogKind.KH_TEST, LogKind.TRIM)
    data = ({"fraction": 0.1}, {"kh_meq_l": 1.4}, {"fraction": 0.2})
    for days, (kind, values) in enumerate(zip(kinds, data, strict=True)):
        registry.add_log("a", kind, NOON + timedelta(days=days), values)
    newest_first = registry.log("a")
    assert [entry.time for entry in newest_first] == [
        NOON + timedelta(days=days) for days in (2, 1, 0)
    ]
    assert registry.log("a", limit=1) == newest_first[:1]
    assert registry.log("a", kinds=[LogKind.TRIM]) == [newest_first[0], newest_first[2]]
    assert registry.log("a", kinds=[]) == []
    assert registry.log("a", start=NOON + timedelta(days=1)) == newest_first[:2]
    assert registry.log("a", end=NOON + timedelta(days=1)) == newest_first[2:]


def test_entries_of_one_moment_have_one_order_everywhere(registry):
    registry.put_tank(Tank("a", "a"))
    for id, recorded in (("z", None), ("y", NOON), ("x", NOON + timedelta(hours=1)), ("w", None)):
        registry.add_log("a", LogKind.TRIM, NOON, recorded=recorded, id=id)
    assert [entry.id for entry in registry.log("a")] == ["x", "y", "w", "z"]


def test_logs_of_all_tanks_come_in_one(registry):
    for id in ("a", "b", "c"):
        registry.put_tank(Tank(id, id))
    for hours in (0, 1, 2):
        registry.add_log("b", LogKind.TRIM, NOON + timedelta(hours=hours))
    registry.add_log("a", LogKind.TRIM, NOON)
    assert registry.logs() == {"a": registry.log("a"), "b": registry.log("b")}
    later = NOON + timedelta(hours=1)
    assert registry.logs(start=later) == {"b": registry.log("b", start=later)}
    assert registry.logs(end=NOON) == {}
    assert registry.logs(kinds=[LogKind.TRIM]) == registry.logs()
    assert registry.logs(kinds=[LogKind.DOSE]) == {}


def test_a_repeated_log_entry_is_stored_once(registry):
    registry.put_tank(Tank("a", "a"))
    first = registry.add_log("a", LogKind.DOSE, NOON, {"name": "iron", "ml": 3.0}, id="k1")
    again = registry.add_log(
        "a", LogKind.DOSE, NOON, {"name": "iron", "ml": 3.0}, id="k1", recorded=NOON
    )
    assert again == first
    assert registry.log("a") == [first]
    with pytest.raises(ConflictError, match="'k1' exists already with another data"):
        registry.add_log("a", LogKind.DOSE, NOON, {"name": "iron", "ml": 4.0}, id="k1")


def test_an_entry_repeated_without_a_time_is_the_first_one(registry):
    registry.put_tank(Tank("a", "a"))
    later = NOON + timedelta(minutes=5)
    first = registry.add_log("a", LogKind.TRIM, None, recorded=NOON, id="k1")
    assert first.time == NOON
    assert registry.add_log("a", LogKind.TRIM, None, recorded=later, id="k1") == first
    with pytest.raises(ConflictError, match="'k1' exists already with another time"):
        registry.add_log("a", LogKind.TRIM, later, recorded=later, id="k1")
    timed = registry.add_log("a", LogKind.TRIM, NOON, recorded=later, id="k2")
    with pytest.raises(ConflictError, match="'k2' exists already with another time"):
        registry.add_log("a", LogKind.TRIM, None, recorded=later + timedelta(minutes=1), id="k2")
    assert registry.log("a") == [timed, first]


def test_a_deleted_log_entry_is_gone(registry):
    registry.put_tank(Tank("a", "a"))
    entry = registry.add_log("a", LogKind.OBSERVATION, NOON, note="typed twice")
    registry.delete_log(entry.id)
    assert registry.log("a") == []
    with pytest.raises(NotFoundError, match=entry.id):
        registry.delete_log(entry.id)


def test_absences_are_replaced_as_a_list(registry):
    later = Absence("z", NOON + timedelta(days=9), NOON + timedelta(days=12))
    sooner = Absence("y", NOON, NOON + timedelta(days=2), "Ilse", ("a", "b"), "key: second drawer")
    registry.put_absences([later, sooner])
    assert registry.absences() == [sooner, later]
    registry.put_absences([later])
    assert registry.absences() == [later]


def test_two_absences_of_one_id_change_nothing(registry):
    absence = Absence("y", NOON, NOON + timedelta(days=2))
    registry.put_absences([absence])
    with pytest.raises(InvalidInputError, match=r"/absences/1/id is 'y'"):
        registry.put_absences([absence, absence])
    assert registry.absences() == [absence]


def _rejection(number, code="not-a-number", tank="a"):
    return Rejection(NOON, f"t/{number}", f"p{number}", code, "payload is …", "mqtt", tank)


def test_rejections_are_bounded_but_counted_for_ever(registry):
    registry.add_rejections([_rejection(n) for n in range(7)], keep=5)
    registry.add_rejections([_rejection(7, "unknown-tank", "")], keep=5)
    assert [r.payload_excerpt for r in registry.rejections(limit=99)] == [
        "p7", "p6", "p5", "p4", "p3",
    ]  # fmt: skip
    newest, second = registry.rejections(limit=2)
    assert newest == replace(_rejection(7, "unknown-tank", ""), id=newest.id)
    assert second == replace(_rejection(6), id=second.id)
    assert newest.id > second.id > 0
    assert registry.rejections(limit=1, tank="a") == [second]
    assert registry.rejections(limit=1, before=newest.id) == [second]
    assert registry.rejection_counts() == {"not-a-number": 7, "unknown-tank": 1}


def test_keeping_no_rejections_still_counts(registry):
    registry.add_rejections([_rejection(1)])
    registry.add_rejections([_rejection(2)], keep=0)
    assert registry.rejections() == []
    assert registry.rejection_counts() == {"not-a-number": 2}
    registry.add_rejections([])
    assert registry.rejection_counts() == {"not-a-number": 2}


def test_a_rejected_payload_may_hold_anything(registry):
    registry.add_rejections([Rejection(NOON, "t", "\x00\ud800 \x07 ü", "not-text", "…")])
    assert registry.rejections()[0].payload_excerpt == "\\x00\\ud800 \x07 ü"


def test_a_status_replaces_the_last_one_of_its_name(registry):
    registry.put_status("ingest:one", {"spooled": 3, "rate": 0.1})
    registry.put_status("ingest:two", {"spooled": 0})
    registry.put_status("ingest:one", {"spooled": 0, "since": None})
    assert registry.statuses() == {
        "ingest:one": {"spooled": 0, "since": None},
        "ingest:two": {"spooled": 0},
    }
