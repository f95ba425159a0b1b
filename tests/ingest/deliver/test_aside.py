"""What cannot be used is taken aside, and the rest goes on: damaged batches, fatal messages."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import stat

import pytest

from ingest.decode import decoder
from ingest.decode.message import Message
from ingest.deliver.encoding import decode_readings, encode_readings
from ingest.deliver.in_work import InWork
from ingest.deliver.spool import Depth, Spool
from service.store import Reading
from tests.ingest.conftest import FORKED, publish
from tests.ingest.ingester_process import run
from tests.ingest.load import AwayStore
from tests.servers import wait_until


def batch(first, count=400):
    return [Reading("reed", "ph", "main", first + n, 6.5 + n / 1000) for n in range(count)]


def filled(path, batches=8):
    """A spool as a killed ingester leaves it: with readings, its log written into the file."""
    spool = Spool(path, 10)
    for n in range(batches):
        spool.append("readings", encode_readings(batch(1000 * n)), 400, n)
    spool.close()


def damage(path, sql, *values):
    with sqlite3.connect(path) as db:
        db.execute(sql, values)
    db.close()


def test_a_batch_with_another_byte_is_taken_aside_and_the_others_go_on(tmp_path):
    path = tmp_path / "spool.db"
    filled(path)
    # one digit of one value: still JSON, and another reading
    damage(
        path, "UPDATE batch SET body = replace(body, CAST('6.539' AS BLOB), '6.939') WHERE id = 3"
    )
    spool = Spool(path, 10)
    found = spool.head("readings", 10_000)
    assert [one.id for one in found] == [1, 2, 4, 5, 6, 7, 8]
    assert decode_readings(found[2].body) == batch(3000)
    assert spool.depth("readings") == Depth(2800, 7, 0)
    (aside,) = spool.aside.folder.iterdir()
    assert stat.S_IMODE(aside.stat().st_mode) == 0o600
    assert stat.S_IMODE(spool.aside.folder.stat().st_mode) == 0o700
    assert aside.name == "readings-3"
    assert b"6.939" in aside.read_bytes()
    spool.close()


def test_a_kill_from_outside_that_meets_one_of_many_suspects_accuses_nobody(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    messages = [Message("littoral/reed/ph", b"%d" % n, n, n + 1, 1) for n in range(50)]
    killed(InWork(spool), messages)
    killed(InWork(spool), messages[20:21])
    assert InWork(spool).fatal(messages[20:21]) is None
    killed(InWork(spool), messages[20:21])
    rejected = InWork(spool).fatal(messages[20:21])
    assert rejected is not None and "when the ingester was killed, 2 times" in rejected.detail
    assert InWork(spool).fatal(messages[:1]) is None
    spool.close()


def killed(work, messages):
    with pytest.raises(KeyboardInterrupt), work.noted(messages):
        raise KeyboardInterrupt  # as a kill: nothing is tidied up


def test_entries_that_are_damaged_are_left_out(tmp_path):
    path = tmp_path / "spool.db"
    spool = Spool(path, 10)
    for n in range(3):
        spool.write_entries("journal", b"journal %d" % n, 1, 100)
    spool.close()
    damage(path, "UPDATE journal SET body = 'short' WHERE id = 2")
    spool = Spool(path, 10)
    assert spool.entries("journal") == [b"journal 0", b"journal 2"]
    spool.close()


def test_a_fatal_message_that_cannot_be_taken_aside_is_not_tried(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    message = Message("littoral/reed/ph", b"boom", 1, 1, 1)
    for _ in range(2):
        with pytest.raises(KeyboardInterrupt), InWork(spool).noted([message]):
            raise KeyboardInterrupt  # as a kill
    spool.aside.folder.write_text("no folder")
    work = InWork(spool)
    with pytest.raises(OSError, match="aside"):
        work.fatal([message])
    spool.aside.folder.unlink()
    assert work.fatal([message]).reason_code == "internal"
    assert work.fatal([message]) is None, "it is rejected once"
    spool.close()


def test_ingestion_goes_on_after_a_damaged_batch(mosquitto, make_bench, publisher):
    bench = make_bench(mosquitto)
    path = bench.config.ingest.spool_path
    bench.store = AwayStore(bench.store)
    bench.store.away = True
    bench.start()
    sender = publisher(mosquitto)
    for _ in range(3):
        before = sender.count
        sender.send(50)
        bench.wait(lambda status, before=before: status["acknowledged"] == before + 50)
    bench.stop()
    damage(path, "UPDATE batch SET body = CAST('[[' AS BLOB) WHERE id = 2")
    with sqlite3.connect(path) as db:
        (spoiled,) = db.execute("SELECT items FROM batch WHERE id = 2").fetchone()
    db.close()
    bench.store.away = False
    bench.start()
    bench.wait(lambda status: status["spool"]["readings"] == 0 and status["aside"] == 1)
    assert len(bench.readings("reed", "illuminance")) == 150 - spoiled
    assert any("taken aside into" in error for error in bench.status()["errors"])
    sender.send(10)
    bench.wait_for("reed", "illuminance", count=160 - spoiled)


def killer(config, log):
    """An ingester that one message kills."""
    real = decoder.decode

    def decode(message, *more):
        if b"boom" in message.payload:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(message, *more)

    decoder.decode = decode
    run(config, log)


def test_a_message_that_kills_twice_is_taken_aside(
    tmp_path, start_mosquitto, make_bench, publisher
):
    broker = start_mosquitto(tmp_path)
    bench = make_bench(broker)
    log = tmp_path / "log"

    def start():
        process = FORKED.Process(target=killer, args=(bench.config, log), daemon=True)
        process.start()
        return process

    process = start()
    wait_until(lambda: log.exists() and "all subscriptions" in log.read_text())
    sender = publisher(broker)
    sender.send(20)
    publish(broker, "littoral/reed/ph", "boom")
    publish(broker, "littoral/reed/ph", "6.5")
    deaths = 0
    while not bench.readings("reed", "ph"):
        process.join(0.5)
        if process.exitcode is not None:
            assert process.exitcode == -signal.SIGKILL
            deaths += 1
            assert deaths <= 3, "twice alone, and once among others before"
            process = start()
    assert deaths >= 2
    assert bench.wait_for("reed", "ph").value == 6.5
    assert len(bench.readings("reed", "illuminance")) == 20
    wait_until(lambda: bool(bench.registry.rejections(limit=5)))
    (rejected,) = bench.registry.rejections(limit=5)
    assert rejected.reason_code == "internal"
    assert "when the ingester was killed, 2 times" in rejected.detail
    os.kill(process.pid, signal.SIGTERM)
    process.join(60)
    assert process.exitcode == 0
    (aside,) = (tmp_path / "bench0" / "spool.db.aside").iterdir()
    assert json.loads(aside.read_text())["topic"] == "littoral/reed/ph"
    assert stat.S_IMODE(aside.stat().st_mode) == 0o600


def test_what_was_in_work_at_one_death_comes_alone_and_is_no_suspect_afterwards(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    messages = [Message("littoral/reed/ph", b"%d" % n, n, n + 1, 1) for n in range(4)]
    work = InWork(spool)
    (all_of_them,) = work.portions(messages)
    assert all_of_them == messages
    with pytest.raises(KeyboardInterrupt), work.noted(messages[1:3]):
        raise KeyboardInterrupt  # as a kill: nothing is tidied up
    again = InWork(spool)
    portions = list(again.portions(messages))
    assert portions == [messages[:1], [messages[1]], [messages[2]], messages[3:]]
    for portion in portions:
        assert again.fatal(portion) is None
        with again.noted(portion):
            pass
    assert list(again.portions(messages)) == [messages]
    again.close()
    assert list(InWork(spool).portions(messages)) == [messages]
    spool.close()
