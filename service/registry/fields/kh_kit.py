"""Fields of the kit that carbonate hardness is tested with."""

from __future__ import annotations

from service.registry.fields.limits import MOST_KH_MEQ_L, MOST_SAMPLE_ML
from service.registry.models.tank import KhKit
from service.schemas.base import ValueSchema
from service.schemas.fields import Choice
from service.schemas.quantities import Measure, carbonate_hardness
from service.science.carbonate.kh_methods import KhMethod


class KhKitSchema(ValueSchema):
    """How carbonate hardness is tested: what a drop, a mark or a field is worth."""

    makes = KhKit

    method = Choice(
        "`drops` are counted until the colour turns, `titration` is read off a syringe or burette, "
        "a `strip` is compared with its fields. A count of n drops means more than n - 1 and up to "
        "n; CO2 is computed from the middle.",
        label="How KH is tested",
        words=list(KhMethod),
    )
    step = carbonate_hardness(
        "Worth of one drop, of one mark, or from one field to the next, in the kit's sample; null: "
        "1 dKH, 0.1 dKH and 3 dKH.",
        label="KH of one drop, mark or field",
        high=MOST_KH_MEQ_L,
        above=0,
        allow_none=True,
        attribute="step_meq_l",
    )
    sample = Measure(
        "mL",
        "Sample taken: in twice the kit's, a drop is worth half. Null: the kit's.",
        label="Sample taken",
        above=0,
        high=MOST_SAMPLE_ML,
        allow_none=True,
        attribute="sample_ml",
    )
    kit_sample = Measure(
        "mL",
        "Sample that the step is meant for.",
        label="The kit's sample",
        above=0,
        high=MOST_SAMPLE_ML,
        attribute="kit_sample_ml",
    )
