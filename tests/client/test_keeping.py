"""What the client writes: tanks, absences, the log; the real application over real HTTP."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.client import Client, ClientError, ProblemError
from tests.api.scenes import TANK
from tests.pictures.samples import opened, picture, read_here

START = datetime(2031, 7, 1, tzinfo=UTC)


def test_a_tank_is_made_once_changed_and_deleted(url):
    service = Client(url)
    assert service.create_tank("riffle", TANK).name == "Invented tank"
    with pytest.raises(ProblemError) as refused:
        service.create_tank("riffle", TANK)
    assert refused.value.status == 412
    assert service.change_tank("riffle", {"notes": "n"}).document["notes"] == "n"
    assert service.change_tank("riffle", {"notes": None}).document["notes"] == ""
    service.delete_tank("riffle")
    assert service.tanks() == []


def test_a_change_is_made_on_what_somebody_else_wrote_meanwhile(url):
    service, other = Client(url), Client(url)
    service.create_tank("riffle", TANK)
    seen = []

    def one_more(document):
        seen.append(document["notes"])
        if len(seen) == 1:
            other.change_tank("riffle", {"notes": "theirs"})
        return {"notes": document["notes"] + " and ours"}

    assert service.edit_tank("riffle", one_more).document["notes"] == "theirs and ours"
    assert seen == ["", "theirs"]


def test_a_change_that_never_gets_its_turn_is_refused(url):
    service, other = Client(url), Client(url)
    service.create_tank("riffle", TANK)

    def overtaken(document):
        other.change_tank("riffle", {"notes": document["notes"] + "x"})
        return {"notes": "ours"}

    with pytest.raises(ProblemError) as refused:
        service.edit_tank("riffle", overtaken)
    assert refused.value.status == 412


def test_absences_are_added_and_ended(url):
    service = Client(url)
    service.create_tank("riffle", TANK)
    first = service.add_absence(
        START, START + timedelta(days=14), covers="the neighbour", tanks=["riffle"], contact="x"
    )
    assert (first.covers, first.tanks, first.contact) == ("the neighbour", ["riffle"], "x")
    second = service.add_absence(START + timedelta(days=60), START + timedelta(days=61))
    assert [one.id for one in service.absences()] == [first.id, second.id]
    ended = service.end_absence(first.id, START + timedelta(days=3))
    assert ended.end == START + timedelta(days=3)
    assert service.end_absence(second.id, START) is None  # it had not begun
    assert [one.id for one in service.absences()] == [first.id]
    with pytest.raises(ClientError, match=f"'none'; allowed: {first.id}"):
        service.end_absence("none", START)


def test_an_entry_of_the_log_is_deleted(url):
    service = Client(url)
    service.create_tank("riffle", TANK)
    entry = service.add_log("riffle", "observation", note="written by mistake")
    service.delete_log("riffle", entry.id)
    assert service.log("riffle") == []
    with pytest.raises(ProblemError, match="404"):
        service.delete_log("riffle", entry.id)


def test_pictures_are_sent_fetched_and_deleted(url, monkeypatch, tmp_path):
    read_here(monkeypatch)
    file = tmp_path / "front.jpg"
    file.write_bytes(picture())
    service = Client(url)
    service.create_tank("riffle", TANK)
    entry = service.add_log("riffle", "observation", note="leaves", pictures=[file])
    (one,) = entry.pictures
    assert (one.width, one.height, one.entry, one.kind) == (64, 48, entry.id, "observation")
    again = service.add_pictures("riffle", entry.id, [picture("PNG"), str(file)])
    assert again[0].id == one.id and len(again) == 2
    assert list(service.pictures("riffle")) == again and service.log("riffle")[0].pictures == again
    assert len(service.picture("riffle", one.id)) == one.bytes
    assert opened(service.picture("riffle", one.id, thumbnail=True)).size == (64, 48)
    service.delete_picture("riffle", one.id)
    assert list(service.pictures("riffle")) == again[1:]
    with pytest.raises(ProblemError) as refused:
        service.add_pictures("riffle", entry.id, [b"no picture"])
    assert refused.value.faults[0].pointer == "/picture/0"
