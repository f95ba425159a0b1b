"""``littoral co2``: dissolved CO2 from pH, carbonate hardness and temperature."""

from __future__ import annotations

import json
from typing import Any

import click

from service import units
from service.cli.options.quantity_parameter import QuantityParameter
from service.cli.output.display import json_option
from service.derive.calculations.co2 import USUAL_TARGET_MG_L, Co2Answer, co2
from service.registry.models.tank import KhKit
from service.science.carbonate.kh_methods import KhMethod
from service.science.numeric.checks import OutOfRangeError

_PH = QuantityParameter("[pH]", "[pH]", low=2, high=12)
_KH = QuantityParameter("dKH", "meq/L", low=0, high=50)
_TEMPERATURE = QuantityParameter("Cel", "Cel", low=0, high=50)
_GH = QuantityParameter("dGH", units.HARDNESS, low=0, high=50)
_CONDUCTIVITY = QuantityParameter("uS/cm", "uS/cm", low=0, high=10_000)
_MG_L = QuantityParameter("mg/L", "mg/L", low=0, high=1_000)
_PH_ERROR = QuantityParameter("[pH]", "[pH]", low=0, high=2)
_KH_ERROR = QuantityParameter("dKH", "meq/L", low=0, high=10)
_KH_STEP = QuantityParameter("dKH", "meq/L", low=1e-3, high=20)
_KELVIN = QuantityParameter("K", "K", low=0, high=10)

#: Parameter of the calculation -> option that gives it.
_OPTIONS = {
    "ph": "--ph",
    "alkalinity_meq_l": "--kh",
    "temperature_c": "--temperature",
    "gh_meq_l": "--gh",
    "conductivity_us_cm": "--conductivity",
    "nitrate_mg_l": "--no3",
    "potassium_mg_l": "--k",
    "phosphate_mg_l": "--po4",
    "organic_carbon_mg_l": "--organic-carbon",
}


@click.command("co2")
@click.option("--ph", type=_PH, required=True, help="pH of the water.")
@click.option(
    "--kh",
    "alkalinity_meq_l",
    type=_KH,
    required=True,
    help="Carbonate hardness; without a unit: dKH.",
)
@click.option(
    "--temperature",
    "temperature_c",
    type=_TEMPERATURE,
    required=True,
    help="Of the water; without a unit: °C.",
)
@click.option("--gh", "gh_meq_l", type=_GH, help="General hardness, if known; without a unit: dGH.")
@click.option(
    "--conductivity",
    "conductivity_us_cm",
    type=_CONDUCTIVITY,
    help="At 25 °C, if known; without a unit: uS/cm.",
)
@click.option("--no3", "nitrate_mg_l", type=_MG_L, help="Nitrate, if known; without a unit: mg/L.")
@click.option(
    "--k", "potassium_mg_l", type=_MG_L, help="Potassium, if known; without a unit: mg/L."
)
@click.option(
    "--po4", "phosphate_mg_l", type=_MG_L, help="Phosphate, if known; without a unit: mg/L."
)
@click.option(
    "--organic-carbon",
    "organic_carbon_mg_l",
    type=_MG_L,
    help="Dissolved, of brown water, if known; without a unit: mg/L.",
)
@click.option(
    "--kh-kit",
    type=click.Choice([one.value for one in KhMethod]),
    help="How KH was tested. Without it KH is taken as it is, give or take 1 dKH.",
)
@click.option(
    "--kh-kit-step",
    type=_KH_STEP,
    help="KH of one drop, mark or field of that test, in the sample taken; without a unit: dKH.",
)
@click.option(
    "--kh-error", "kh_error_meq_l", type=_KH_ERROR, help="Limits of error; without a unit: dKH."
)
@click.option("--ph-error", type=_PH_ERROR, help="Limits of error of the probe; default 0.1.")
@click.option(
    "--temperature-error",
    "temperature_error_c",
    type=_KELVIN,
    help="Limits of error; default 0.5 °C.",
)
@click.option(
    "--target",
    type=(float, float),
    default=USUAL_TARGET_MG_L,
    show_default=True,
    metavar="LOW HIGH",
    help="Range aimed at, mg/L.",
)
@json_option
def command(
    target: tuple[float, float],
    as_json: bool,
    kh_kit: str | None,
    kh_kit_step: float | None,
    **inputs: float | None,
) -> None:
    """Compute dissolved CO2 from pH, KH and temperature.

    With its 95 % interval, beside the trade's rule of thumb.
    """
    low, high = target
    if not 0 <= low < high:
        raise click.BadParameter(f"{low:g} {high:g}; allowed: two rising numbers from 0")
    given: dict[str, Any] = {name: value for name, value in inputs.items() if value is not None}
    if kh_kit is not None:
        given["kh_kit"] = KhKit(KhMethod(kh_kit), kh_kit_step)
    elif kh_kit_step is not None:
        raise click.BadParameter("allowed: beside --kh-kit", param_hint="--kh-kit-step")
    try:
        answer = co2(**given, target=target)
    except OutOfRangeError as error:
        reason = f"{error.value:g}; allowed: {error.allowed}"
        raise click.BadParameter(reason, param_hint=_OPTIONS[error.name]) from error
    click.echo(_json(answer) if as_json else _text(answer))


def _text(answer: Co2Answer) -> str:
    inputs = answer.inputs
    meq_l = inputs["alkalinity_meq_l"]
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
            f"from pH {inputs['ph']:g}, KH {units.convert(meq_l, 'meq/L', 'dKH'):.3g} dKH "
            f"({meq_l:.3g} meq/L), {inputs['temperature_c']:.1f} °C; {answer.method}",
            f"rule of thumb {answer.rule_of_thumb_method}: {answer.rule_of_thumb_mg_l:.1f} mg/L",
            f"errors: pH ± {answer.errors.ph:g}, KH ± "
            f"{units.convert(answer.errors.alkalinity_meq_l, 'meq/L', 'dKH'):.2g} dKH, "
            f"± {answer.errors.temperature_c:g} °C",
            *answer.assumptions,
            *(answer.reasons if answer.co2 is not None else ()),
        )
    )


def _json(answer: Co2Answer) -> str:
    """The answer as ``POST /v1/calculate/co2`` gives it."""
    from service.api.calculate.carbonate import CO2

    return json.dumps(CO2.answer().dump(answer), ensure_ascii=False, indent=2)
