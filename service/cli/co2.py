"""``littoral co2``: dissolved CO2 from pH, carbonate hardness and temperature."""

from __future__ import annotations

import json

import click

from service import units
from service.cli.output import json_option
from service.cli.parameters import QuantityParameter
from service.derive import calculations
from service.science.numeric.checks import OutOfRangeError

_PH = QuantityParameter("[pH]", "[pH]", low=2, high=12)
_KH = QuantityParameter("dKH", "meq/L", low=0, high=50)
_TEMPERATURE = QuantityParameter("Cel", "Cel", low=0, high=50)
_GH = QuantityParameter("dGH", "meq/L", low=0, high=50)
_CONDUCTIVITY = QuantityParameter("uS/cm", "uS/cm", low=0, high=10_000)

#: Parameter of the calculation -> option that gives it.
_OPTIONS = {
    "ph": "--ph",
    "alkalinity_meq_l": "--kh",
    "temperature_c": "--temperature",
    "gh_meq_l": "--gh",
    "conductivity_us_cm": "--conductivity",
}


@click.command("co2")
@click.option("--ph", type=_PH, required=True, help="pH of the water.")
@click.option("--kh", "meq_l", type=_KH, required=True, help="Carbonate hardness; bare: dKH.")
@click.option("--temperature", "celsius", type=_TEMPERATURE, required=True, help="Bare: °C.")
@click.option("--gh", "gh_meq_l", type=_GH, help="General hardness, if known; bare: dGH.")
@click.option("--conductivity", type=_CONDUCTIVITY, help="At 25 °C, if known; bare: uS/cm.")
@click.option(
    "--target",
    type=(float, float),
    default=calculations.USUAL_TARGET_MG_L,
    show_default=True,
    metavar="LOW HIGH",
    help="Range aimed at, mg/L.",
)
@json_option
def command(
    ph: float,
    meq_l: float,
    celsius: float,
    gh_meq_l: float | None,
    conductivity: float | None,
    target: tuple[float, float],
    as_json: bool,
) -> None:
    """Compute dissolved CO2 from pH, KH and temperature.

    With its 95 % interval, beside the trade's rule of thumb.
    """
    low, high = target
    if not 0 <= low < high:
        raise click.BadParameter(f"{low:g} {high:g}; allowed: two rising numbers from 0")
    try:
        answer = calculations.co2(
            ph,
            meq_l,
            celsius,
            gh_meq_l=gh_meq_l,
            conductivity_us_cm=conductivity,
            target=target,
        )
    except OutOfRangeError as error:
        reason = f"{error.value:g}; allowed: {error.allowed}"
        raise click.BadParameter(reason, param_hint=_OPTIONS[error.name]) from error
    inputs = {"ph": ph, "meq_l": meq_l, "celsius": celsius}
    click.echo(_json(answer, inputs) if as_json else _text(answer, inputs))


def _text(answer: calculations.Co2Answer, inputs: dict[str, float]) -> str:
    kh_dkh = units.convert(inputs["meq_l"], "meq/L", "dKH")
    low, high = answer.target
    if answer.co2 is None:
        first = f"CO2 is unknown. {' '.join(answer.reasons)}"
    else:
        found = answer.co2
        first = (
            f"CO2 {found.value:.1f} mg/L (95 %: {found.low:.1f} to {found.high:.1f}), "
            f"{answer.state} the target of {low:g} to {high:g} mg/L"
        )
    return "\n".join(
        (
            first,
            f"from pH {inputs['ph']:g}, KH {kh_dkh:.3g} dKH ({inputs['meq_l']:.3g} meq/L), "
            f"{inputs['celsius']:.1f} °C; {calculations.CO2_METHOD}",
            f"rule of thumb 3 * KH * 10^(7 - pH): {answer.rule_of_thumb_mg_l:.1f} mg/L",
        )
    )


def _json(answer: calculations.Co2Answer, inputs: dict[str, float]) -> str:
    found = answer.co2
    body = {
        "co2": None
        if found is None
        else {"value": found.value, "low": found.low, "high": found.high, "unit": "mg/L"},
        "method": calculations.CO2_METHOD,
        "inputs": {
            "ph": {"value": inputs["ph"], "unit": "[pH]"},
            "kh": {
                "value": inputs["meq_l"],
                "unit": "meq/L",
                "display": {
                    "value": units.convert(inputs["meq_l"], "meq/L", "dKH"),
                    "unit": "dKH",
                },
            },
            "temperature": {"value": inputs["celsius"], "unit": "Cel"},
        },
        "target": {"low": answer.target[0], "high": answer.target[1], "unit": "mg/L"},
        "state": str(answer.state),
        "rule_of_thumb": {"value": answer.rule_of_thumb_mg_l, "unit": "mg/L"},
        "reasons": list(answer.reasons),
    }
    return json.dumps(body, ensure_ascii=False, indent=2)
