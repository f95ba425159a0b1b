"""``littoral import``, ``export``, ``copy`` and ``store`` as a person types them."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import time

import pytest

from service.cli import run
from service.registry.models.tank import Tank
from service.store import Flag, Reading, SeriesKey, open_store
from tests.registries import sqlite_registry

KEY = SeriesKey("quarry-pool", "temperature", "import")
ROWS = 250_000  # enough that the import can be caught at work
KEY_DOCUMENT = {"tank": KEY.tank, "quantity": KEY.quantity, "sensor": KEY.sensor}
CSV = "time,temperature,ph\n2026-03-01T22:41:17Z,24.5,6.6\n2026-03-01T22:51:17Z,24.6,6.7\n"


@pytest.fixture(autouse=True)
def registry_url(tmp_path, monkeypatch):
    """A registry with the tank, as any running service has."""
    url = f"sqlite:///{tmp_path}/registry.db"
    monkeypatch.setenv("LITTORAL_REGISTRY__URL", url)
    registry = sqlite_registry(tmp_path / "registry.db")
    registry.put_tank(Tank("quarry-pool", "Quarry pool"))
    registry.close()


@pytest.fixture
def url(tmp_path):
    return new_store(tmp_path / "readings.db")


def new_store(path):
    """An empty store, as a service that was started once has."""
    open_store(f"sqlite:///{path}").close()
    return f"sqlite:///{path}"


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(CSV)
    return str(path)


def test_import_export_round_trip(url, file, tmp_path, capsys):
    assert run(["import", file, "--tank", "quarry-pool", "--store", url]) == 0
    assert "4 readings stored, 0 rejected" in capsys.readouterr().out
    assert run(["export", "quarry-pool", "--store", url, "--quantity", "ph"]) == 0
    out, err = capsys.readouterr()
    assert out.splitlines() == [
        "time,tank,quantity,sensor,value,unit,flags,raw",
        "2026-03-01T22:41:17Z,quarry-pool,ph,import,6.6,[pH],0,",
        "2026-03-01T22:51:17Z,quarry-pool,ph,import,6.7,[pH],0,",
    ]
    assert err == "2 readings of 1 series\n"
    again = new_store(tmp_path / "again.db")
    exported = tmp_path / "out.csv"
    run(["export", "quarry-pool", "--store", url, "--output", str(exported)])
    assert run(["import", str(exported), "--store", again]) == 0
    assert run(["copy", "--from", url, "--to", again, "--verify-only"]) == 0
    assert "same    quarry-pool/ph/import: 2 readings" in capsys.readouterr().out


def test_a_progress_bar_is_made_on_a_terminal_only(url, file, monkeypatch):
    arguments = ["import", file, "--tank", "quarry-pool", "--store", url]
    with monkeypatch.context() as patch:
        patch.setitem(sys.modules, "rich.progress", None)  # whose import takes its time
        assert run(arguments) == 0

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    terminal = Terminal()
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stderr", terminal)
        patch.setenv("TERM", "xterm")
        assert run(arguments) == 0
    assert "importing log.csv" in terminal.getvalue()


def test_import_tells_what_it_rejects(url, tmp_path, capsys):
    path = tmp_path / "log.csv"
    path.write_text(CSV + "never,1,2\n2026-03-01T23:01:17Z,cold,6.6\n")
    rejects = tmp_path / "rejects.csv"
    arguments = ["import", str(path), "--tank", "quarry-pool", "--store", url]
    assert run([*arguments, "--rejects", str(rejects)]) == 1
    out, err = capsys.readouterr()
    assert "5 readings stored, 2 rejected" in out
    assert "1 x column temperature: value; allowed: a finite number" in out
    assert "line 5, column temperature: value is 'cold'" in err
    assert rejects.read_text().splitlines()[:2] == [
        "line,column,reason",
        "4,,time is 'never'; allowed: the form auto",
    ]
    assert run([*arguments, "--json", "--dry-run"]) == 1
    assert json.loads(capsys.readouterr().out)["readings"] == 5


def test_import_flags_what_no_tank_can_be_and_says_how_many(url, tmp_path, capsys):
    path = tmp_path / "log.csv"
    rows = [f"2026-03-01T22:{n:02}:00Z,{value}" for n, value in enumerate([24.5] * 10 + [31, 4711])]
    path.write_text("time,temperature\n" + "\n".join(rows) + "\n")
    arguments = ["import", str(path), "--tank", "quarry-pool", "--store", url]
    for more in (["--dry-run"], [], []):  # again: the same flags
        assert run([*arguments, *more]) == 0
        out = capsys.readouterr().out.splitlines()
        assert out[0].startswith("12 readings ")
        assert sorted(out[1:]) == ["  1 flagged implausible", "  1 flagged spike"]
    assert run([*arguments, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["flagged"] == {"implausible": 1, "spike": 1}
    store = open_store(url)
    samples = store.read(KEY, 0, 2**62, flagged=True)
    assert samples.value.tolist() == [24.5] * 10 + [31.0, 4711.0]
    assert samples.flags.tolist() == [0] * 10 + [Flag.SPIKE, Flag.IMPLAUSIBLE]
    store.close()


def test_import_in_fahrenheit_then_recalibrate_changes_nothing(tmp_path, capsys):
    """The number in °F is not a number before calibration, to be taken for °C."""
    config = tmp_path / "littoral.toml"
    config.write_text(
        f'[store]\nurl = "sqlite:///{tmp_path}/readings.db"\n'
        f'[registry]\nurl = "sqlite:///{tmp_path}/registry.db"\n'
    )
    new_store(tmp_path / "readings.db")
    path = tmp_path / "log.csv"
    path.write_text("time,T\n2026-03-01T22:41:17Z,76.1\n")
    words = ["--tank", "quarry-pool", "--column", "T=temperature:degF", "--config", str(config)]
    assert run(["import", str(path), *words]) == 0
    words = ["--quantity", "temperature", "--sensor", "import", "--start", "2026-03-01"]
    assert run(["recalibrate", "quarry-pool", *words, "--config", str(config)]) == 0
    assert "1 readings, 0 changed" in capsys.readouterr().out
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    # 76.1 °F = (76.1 - 32) / 1.8 = 24.5 °C, by the definition of the Fahrenheit scale.
    assert store.latest(KEY).value == pytest.approx(24.5)
    store.close()


def test_dry_run_stores_nothing(file, tmp_path, capsys):
    url = f"sqlite:///{tmp_path}/readings.db"
    assert run(["import", file, "--tank", "quarry-pool", "--store", url, "--dry-run"]) == 0
    assert "4 readings would be stored" in capsys.readouterr().out
    assert not (tmp_path / "readings.db").exists()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["import", "FILE", "--store", "URL"], "tank is missing; allowed: the tank"),
        (["import", "FILE", "--column", "x"], "column is 'x'; allowed: NAME=QUANTITY"),
        (
            ["import", "FILE", "--time-zone", "Mars/Base"],
            "time_zone is 'Mars/Base'; allowed: an IANA",
        ),
        (["import", "FILE", "--delimiter", "::"], "allowed: one character, or 'tab'"),
        (["import", "nowhere.csv"], "does not exist"),
        (["export", "quarry-pool", "--store", "URL"], "no such readings of tank 'quarry-pool'"),
        (["export", "a", "--store", "URL", "--format", "parquet"], "parquet needs --output"),
        (["export", "a", "--store", "URL", "--start", "soon"], "'soon'; allowed: a time such as"),
        (["copy", "--from", "URL", "--to", "URL2"], "has no such readings"),
        (["copy", "--from", "ftp://x", "--to", "URL2"], "store.url is 'ftp://x'; allowed"),
        (["store", "prune", "--raw", "0.5", "--store", "URL"], "0.5"),
        (["store", "prune", "--raw", "9", "--hour", "5", "--store", "URL"], "retention.hour"),
        (["store", "check", "--store", "influx://127.0.0.1:9/x"], "the store is influx, which"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(arguments, message, url, file, capsys):
    places = {"FILE": file, "URL": url, "URL2": url.replace("readings", "other")}
    assert run([places.get(word, word) for word in arguments]) == 2
    err = capsys.readouterr().err
    assert message in err
    assert len(err.strip().splitlines()) == 1


def test_copy_then_a_difference_is_exit_1(url, file, tmp_path, capsys):
    run(["import", file, "--tank", "quarry-pool", "--store", url])
    other = f"sqlite:///{tmp_path}/other.db"
    assert run(["copy", "--from", url, "--to", other]) == 0
    out = capsys.readouterr().out
    assert "4 readings of 2 series copied" in out
    store = open_store(other)
    store.write([Reading("quarry-pool", "ph", "import", 1_772_404_877_000_000, 6.9)])
    store.close()
    assert run(["copy", "--from", url, "--to", other, "--verify-only"]) == 1
    assert "1 of 2 series differ" in capsys.readouterr().out
    assert run(["copy", "--from", url, "--to", other, "--verify-only", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["copied"], told["differ"]) == (0, 1)
    assert [one["same"] for one in told["series"]] == [False, True]
    assert told["series"][0]["key"] == {**KEY_DOCUMENT, "quantity": "ph"}


def test_store_check_rebuild_prune(url, file, tmp_path, capsys):
    run(["import", file, "--tank", "quarry-pool", "--store", url])
    assert run(["store", "check", "--store", url]) == 0
    assert run(["store", "rebuild", "--store", url]) == 0
    assert run(["store", "prune", "--raw", "30", "--store", url]) == 0
    assert "4 readings, 0 minute, 0 hour and 0 day rollups deleted" in capsys.readouterr().out
    assert run(["store", "prune", "--raw", "30", "--store", url, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"raw": 0, "minute": 0, "hour": 0, "day": 0}
    store = open_store(url)
    assert store.aggregate(KEY, 0, 2**53, 86_400_000_000).count.tolist() == [2]
    store.close()


@pytest.mark.slow
def test_killed_import_goes_on_where_it_stopped(url, tmp_path):
    path = tmp_path / "long.csv"
    rows = (f"{1_772_404_877 + i},{24 + i % 10 / 10}" for i in range(ROWS))
    path.write_text("time,temperature\n" + "\n".join(rows) + "\n")
    command = [sys.executable, "-m", "service", "import", str(path), "--tank", "quarry-pool"]
    process = subprocess.Popen([*command, "--store", url])
    note = tmp_path / ".long.csv.import"
    while not note.exists():
        assert process.poll() is None, "finished before it could be killed"
        time.sleep(0.005)
    process.kill()
    process.wait()
    done = subprocess.run([*command, "--store", url], capture_output=True, text=True, check=True)
    assert "went on after line" in done.stdout
    assert f"{ROWS} readings stored, 0 rejected" in done.stdout
    store = open_store(url)
    assert store.extent(KEY).count == ROWS
    store.close()
    assert not note.exists()
