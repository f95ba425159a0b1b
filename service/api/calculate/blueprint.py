"""``POST /v1/calculate/…``: an operation for each formula of the table."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

from service.api.calculate.formula import Formula
from service.api.http.blueprint import Blueprint
from service.api.http.problems.faults import invalid_field
from service.errors import InvalidInputError
from service.schemas.pointers import json_pointer
from service.science.numeric.checks import OutOfRangeError


def blueprint_of(formulas: Iterable[Formula]) -> Blueprint:
    """The blueprint with an operation for each formula."""
    blueprint = Blueprint(
        "calculate",
        __name__,
        url_prefix="/v1/calculate",
        description="Calculations on what you send, without any state; any unit that fits.",
    )
    for formula in formulas:
        view = blueprint.answers(200, formula.answer)(view_of(formula))
        view = blueprint.body(formula.question, example=formula.example)(view)
        blueprint.at(f"/{formula.name}", "POST")(view)
    return blueprint


def view_of(formula: Formula) -> Callable[[dict[str, Any]], Any]:
    """The view of a formula: what it refuses becomes an error that points at the field."""

    def view(question: dict[str, Any]) -> Any:
        try:
            return formula.function(**question)
        except OutOfRangeError as error:
            raise _refusal(error, formula) from error

    view.__name__ = formula.name.replace("-", "_")
    view.__doc__ = f"{formula.title}\n\n{formula.about}"
    return view


def _refusal(error: OutOfRangeError, formula: Formula) -> InvalidInputError:
    """The error that points at the field which became the argument."""
    fields = formula.question().fields
    parameters = {field.attribute or name for name, field in fields.items()}
    path = error.name.split(".")
    if path[0] not in parameters:
        return InvalidInputError(str(error))
    pointer = json_pointer("/".join(path), formula.question)
    return invalid_field(pointer, _as_given(error.value), error.allowed)


def _as_given(value: object) -> object:
    """A number as people write it: 60 for 60.0, and no digits that conversion left over."""
    if not isinstance(value, float) or not math.isfinite(value):
        return value
    rounded = float(f"{value:.12g}")
    return int(rounded) if rounded.is_integer() else rounded
