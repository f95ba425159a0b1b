"""``littoral co2``."""

from __future__ import annotations

import json

import pytest

from tests.cli.conftest import process, refused

USUAL = ("co2", "--ph", "6.6", "--kh", "4", "--temperature", "24")


def test_says_value_interval_state_inputs_and_rule(littoral):
    done = littoral(*USUAL)
    assert done.code == 0
    assert done.err == ""
    first, second, third, fourth, *assumed = done.out.splitlines()
    assert first == ("CO2 34.4 mg/L (95 %: 21.9 to 47.3), above the target of 20 to 30 mg/L")
    assert "pH 6.6, KH 4 dKH (1.43 meq/L), 24.0 °C" in second
    # common practice, no source
    assert third == "rule of thumb 3 x KH x 10^(7 - pH): 30.1 mg/L"
    assert fourth == "errors: pH ± 0.1, KH ± 1 dKH, ± 0.5 °C"
    assert len(assumed) == 2


def test_says_what_a_count_means_and_takes_the_errors_that_are_told(littoral, client):
    """4 drops of 1 dKH are 3.5 in the middle; 7 of half a degree 3.25."""
    counted = littoral(*USUAL, "--kh-kit", "drops", "--gh", "6")
    assert "3.5 dKH is taken" in counted.out.splitlines()[-1]
    told = ("--kh-kit", "drops", "--kh-kit-step", "0.5", "--ph-error", "0.02")
    done = littoral(*USUAL[:4], "3.5", *USUAL[5:], *told, "--temperature-error", "0.1", "--json")
    question = {
        "ph": 6.6,
        "kh": {"value": 3.5, "unit": "dKH"},
        "temperature": {"value": 24, "unit": "Cel"},
        "kh_kit": {"method": "drops", "step": {"value": 0.5, "unit": "dKH"}},
        "ph_error": 0.02,
        "temperature_error": {"value": 0.1, "unit": "K"},
    }
    assert json.loads(done.out) == client.post("/v1/calculate/co2", json=question).get_json()


def test_json_is_what_the_api_answers(littoral, client):
    done = littoral(*USUAL, "--json")
    question = {
        "ph": 6.6,
        "kh": {"value": 4, "unit": "dKH"},
        "temperature": {"value": 24, "unit": "Cel"},
    }
    assert json.loads(done.out) == client.post("/v1/calculate/co2", json=question).get_json()


@pytest.mark.parametrize(
    "same",
    [
        ("--temperature", "75.2 degF"),
        ("--temperature", "75.2°F"),
        ("--kh", "4dKH"),
        ("--kh", "71.392 ppm CaCO3"),
    ],
)
def test_any_unit(littoral, same):
    assert littoral(*USUAL, *same).out.splitlines()[0] == littoral(*USUAL).out.splitlines()[0]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("co2", "--ph", "6.6"), "--kh"),
        ((*USUAL, "--ph", "acid"), "'acid'"),
        ((*USUAL, "--ph", "nan"), "'nan'"),
        ((*USUAL, "--ph", "14"), "2 to 12"),
        ((*USUAL, "--kh", "-4"), "0 to 50 meq/L"),
        ((*USUAL, "--kh", "4 furlong"), "furlong"),
        ((*USUAL, "--temperature", "80"), "0 to 50 Cel"),
        ((*USUAL, "--target", "30", "20"), "two rising numbers"),
        ((*USUAL, "--salinity", "4"), "--salinity"),
        ((*USUAL, "--kh-kit-step", "0.5"), "--kh-kit-step: allowed: beside --kh-kit"),
        ((*USUAL, "--conductivity", "9000"), "--conductivity: 9000; allowed: 0 to 8000 µS/cm"),
        (("c02",), "c02"),
    ],
)
def test_refusals(littoral, arguments, said):
    refused(littoral(*arguments), said)


def test_as_a_process():
    done = process(*USUAL)
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith("CO2 34.4 mg/L")
    refused(process("co2", "--ph", "x", "--kh", "4", "--temperature", "24"), "'x'")


def test_help_names_every_command(littoral):
    done = littoral("--help")
    assert done.code == 0
    assert "co2" in done.out
