"""The blueprint that all calculations share."""

from service.api.http.blueprint import Blueprint

blueprint = Blueprint(
    "calculate",
    __name__,
    url_prefix="/v1/calculate",
    description="Calculations on what you send, without any state; any unit that fits.",
)
