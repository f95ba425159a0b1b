"""Errors of the configuration name: file, key, value, what is allowed."""

import re
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.clock import FastClock, SystemClock
from service.config import Config, load_config, make_clock
from service.config.template import template
from service.errors import ConfigError


def write(tmp_path, text):
    path = tmp_path / "littoral.toml"
    path.write_text(text)
    return path


def test_defaults_need_no_file():
    config = load_config(None, {})
    assert config.store.url == "sqlite:///var/littoral.db"
    assert config.http.host == "127.0.0.1"
    assert isinstance(make_clock(config), SystemClock)


def test_environment_wins_over_the_file(tmp_path):
    path = write(tmp_path, "[http]\nport = 9001\nthreads = 3\n")
    config = load_config(path, {"LITTORAL_HTTP__PORT": "9002", "HOME": "/"})
    assert (config.http.port, config.http.threads) == (9002, 3)


def test_ages_of_readings_come_from_file_and_environment(tmp_path):
    path = write(tmp_path, "[store]\nkeep_raw_days = 400\n")
    config = load_config(path, {"LITTORAL_STORE__KEEP_MINUTE_DAYS": "800"})
    assert (config.store.keep_raw_days, config.store.keep_minute_days) == (400, 800)
    assert (config.store.keep_hour_days, config.store.keep_day_days) == (None, None)


def test_routes_keep_their_order(tmp_path):
    path = write(
        tmp_path,
        '[[route]]\ntopic = "shed/{tank}/{quantity}"\nnames = {temp = "temperature"}\n'
        '[[route]]\ntopic = "attic/ph"\ntank = "fern"\nquantity = "ph"\nunit = "pH"\n',
    )
    routes = load_config(path, {}).routes
    assert [route.topic for route in routes] == ["shed/{tank}/{quantity}", "attic/ph"]
    assert routes[0].names == {"temp": "temperature"}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[stor]\nurl='x'\n", "stor is not a key (did you mean store?); allowed: advice, clock"),
        ("[store]\nur='x'\n", "store.ur is not a key (did you mean url?); allowed: keep_"),
        ("[http]\nport='abc'\n", "http.port is 'abc'; allowed: a whole number from 0 to 65535"),
        ("[http]\nport=70000\n", "http.port is 70000; allowed: a whole number from 0 to 65535"),
        ("[mqtt]\nurl='http://x'\n", "mqtt.url is 'http://x'; allowed: mqtt://HOST"),
        ("[mqtt]\nprotocol='4'\n", 'mqtt.protocol is \'4\'; allowed: "5", "3.1.1"'),
        ("[[route]]\ntank='a'\n", "route.0.topic is missing; allowed: an MQTT topic filter"),
        ("[[route]]\ntopic='a'\nquantity='heat'\n", "route.0.quantity is 'heat'; allowed: temp"),
        ("[[route]]\ntopic='a'\ntank='A B'\n", "route.0.tank is 'A B'; allowed: a tank id"),
        ("[[sensor]]\ntank='a'\n", "sensor.0.sensor is missing; allowed: 1 to 64 of"),
        (
            "[[sensor]]\ntank='a'\nsensor='b'\ntime_zone='Mars'\n",
            "sensor.0.time_zone is 'Mars'; allowed",
        ),
        ("store = 3\n", "store is 3; allowed: a table of keys"),
        ("[http\n", "is not TOML"),
        (
            "[store]\nkeep_raw_days=0.5\n",
            "keep_raw_days is 0.5; allowed: with sqlite:/// only: days",
        ),
        (
            "[store]\nkeep_raw_days=400\nkeep_minute_days=40\n",
            "store.keep_minute_days is 40; allowed: with sqlite:/// only: days from 1 to 36500, no "
            "fewer than keep_raw_days; for ever without the key",
        ),
        ("[store]\nkeep_hour_days=800\n", "store.keep_hour_days is 800; allowed"),
        (
            "[store]\nurl='influx://host/db'\nkeep_raw_days=400\n",
            "store.keep_raw_days is 400; allowed: with sqlite:/// only",
        ),
        ("[ingest]\nbatch_age_s = nan\n", "ingest.batch_age_s is nan; allowed: a number from"),
    ],
)
def test_each_fault_names_file_key_value_and_what_is_allowed(tmp_path, text, expected):
    path = write(tmp_path, text)
    with pytest.raises(ConfigError) as caught:
        load_config(path, {})
    assert str(path) in caught.value.detail
    assert expected in caught.value.detail


def test_all_faults_are_told_at_once(tmp_path):
    path = write(tmp_path, "[http]\nport=-1\nthreads=0\n")
    with pytest.raises(ConfigError) as caught:
        load_config(path, {})
    assert {fault.pointer for fault in caught.value.faults} == {"http.port", "http.threads"}


def test_a_bad_override_names_the_variable():
    with pytest.raises(ConfigError, match=r"environment LITTORAL_HTTP__PORT: http\.port is 'x'"):
        load_config(None, {"LITTORAL_HTTP__PORT": "x"})
    with pytest.raises(ConfigError, match="LITTORAL_FOO__X names no section"):
        load_config(None, {"LITTORAL_FOO__X": "1"})


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(ConfigError, match=r"absent\.toml: cannot be read: No such file"):
        load_config(tmp_path / "absent.toml", {})


def test_a_password_is_not_repeated(tmp_path):
    path = write(tmp_path, '[mqtt]\npassword = ["hunter2"]\n')
    with pytest.raises(ConfigError) as caught:
        load_config(path, {})
    assert "hunter2" not in caught.value.detail


def test_fast_clock_runs_from_its_origin(tmp_path):
    path = write(tmp_path, "[clock]\nspeed = 60\norigin = 2031-05-04T08:00:00Z\n")
    clock = make_clock(load_config(path, {}))
    assert isinstance(clock, FastClock)
    ahead_s = (clock.now() - datetime(2031, 5, 4, 8, tzinfo=UTC)).total_seconds()
    assert 0 <= ahead_s < 600


def test_speed_without_origin_is_refused():
    with pytest.raises(ConfigError, match=r"clock\.origin is not set"):
        make_clock(load_config(None, {"LITTORAL_CLOCK__SPEED": "60"}))


def test_the_file_to_begin_with_changes_nothing(tmp_path):
    assert load_config(write(tmp_path, template()), {}) == Config()


def test_the_page_shows_the_file_to_begin_with_and_every_key_of_it_is_allowed(tmp_path):
    page = (Path(__file__).parents[2] / "docs" / "config.md").read_text()
    assert page.split("```toml\n")[1].split("```")[0] == template(), "run docs/config.py"
    example = re.sub(r"^#(?! )", "", template(), flags=re.MULTILINE)
    config = load_config(write(tmp_path, example), {"LITTORAL_MQTT__PASSWORD": "x"})
    assert config.routes[0].path == "data.value"
    for section in ("store", "registry", "pictures", "mqtt", "ingest", "http", "advice", "clock"):
        for key in fields(getattr(config, section)):
            assert key.name in page, f"docs/config.md does not name {section}.{key.name}"
