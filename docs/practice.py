"""Writes docs/practice.md: ``python docs/practice.py > docs/practice.md``."""

from service.advice.engine.catalogue import RULES
from service.advice.engine.practice import THRESHOLDS
from service.derive.thresholds import SUBJECTS, Threshold

HEAD = """# The facts of practice

What the rules rest on besides the science in [science.md](science.md). Facts that everybody in the
trade goes by but nobody published are marked **common practice, no source**; **our choice** marks
a number that somebody had to set, so we did. Every threshold below can be set per tank, in its
`thresholds` (`PATCH /v1/tanks/{tank}` with `{"thresholds": {"co2_low_lit_min": 30}}`); a name
that is not in the tables, or a value outside what is allowed, is refused.

## Facts

| fact | where it is used | source |
| --- | --- | --- |
| Plants in strong light do well at 20 to 30 mg/L CO2; about 30 mg/L is the usual upper aim with fish, and 4 dKH at pH 6.6 lies near it | target range of a tank unless it has its own, and what fish are comfortable with and tolerate; for which mg/L, [see below](#co2-which-mgl) | common practice, no source |
| Labyrinth fishes, armoured catfishes and some others come up for air now and then | cautions and emergencies: only all animals at the surface at once is an alarm | Graham 1997, Air-Breathing Fishes (from memory) |
| A species that lives well at 22 to 26 °C bears 20 or 28 for weeks | remarks between comfortable and tolerable, warnings outside tolerable | ranges in [species.md](species.md) |
| Newcomers bear less CO2 than animals that have settled | ceiling in the first 48 h after stocking | common practice, no source |
| Fish that take air at the surface suffer when CO2 gathers above still water, and want a calm corner to come up in | wording of the CO2 rules | common practice, no source |
| Moving the surface drives CO2 out and oxygen in | what to do at too much CO2 and at too little oxygen | gas exchange with the air, [science/gas-exchange.md](science/gas-exchange.md) |
| Steady CO2 from day to day matters more than its exact level | rule `co2-unsteady` | common practice, no source |
| Gas goes on an hour or two before the lamp, so that the target is reached at lights-on, and off before lights-off | rules `gas-late`, `gas-early`, `gas-at-night` | common practice, no source; the minutes come from the tank's own fitted exchange |
| Much light with little CO2 invites algae | rule on light against CO2 | common practice, no source |
| Six to eight hours of light while a tank settles, half an hour more each week afterwards, eight to ten later | shorter photoperiod after a set-up or a replant | common practice, no source |
| High-energy planted tanks get a large water change (50 % and more) every week, low-energy ones a smaller one more rarely | routine water change | common practice, no source |
| Work on plants or substrate stirs up waste: a large water change the same day | rule `water-change-after-work` | common practice, no source |
| Fertiliser goes in after the change, so that it is not thrown out with the water | rule on the dose that is due | common practice, no source |
| A dose is left out where all that it brings will last to the next change | rule `dose-not-needed`, by the estimate of [science/nutrients.md](science/nutrients.md#levels-over-time) | common practice, no source |
| Animals bear a change of KH by about 1 dKH a day; a larger one is split over days | water change rules | common practice, no source |
| Old tank water is fit for house plants and the garden, unless salt or medication is in it | water change rules | common practice, no source; limits after FAO Irrigation and Drainage Paper 29 in [science/water-change.md](science/water-change.md) |
| Several cool-tolerant fish need no heater at 22 to 23 °C | cool tanks are not asked to be heated while the animals' range holds | ranges in [species.md](species.md) |
| Warm water holds less oxygen while animals need more | rule on oxygen | Benson & Krause 1984 in [references.md](references.md) |
| A pH electrode drifts and tires: calibrate monthly, replace when its slope falls low | calibration rule, interval of CO2 | common practice, no source; Nernst slope in [science/probes.md](science/probes.md) |
| A filter that stands still loses its bacteria within hours; a heater out of the water overheats and can crack | cautions of work for which they are switched off | common practice, no source |
| CO2 is shut off at the plug of the solenoid valve, or at the cylinder's valve, clockwise by hand | emergencies, rules on too much CO2 | common practice, no source |
| Tufts of algae come where CO2 goes up and down: steady CO2 comes before less light or other doses | rule `co2-unsteady` where tufts rise | common practice, no source |
| Algae that rise under long light fall with shorter light | rule `algae-light` | common practice, no source |
| Iron hardly moves within a plant, so that new leaves turn pale first; nitrogen, phosphorus and potassium are drawn out of old leaves, which get holes and fall | rule `leaves-hungry` | Marschner's Mineral Nutrition of Higher Plants (from memory) |
| Plants that were moved, or were grown in air, shed their leaves under water and grow new ones | rule `leaves-melting` | common practice, no source |
| Leaves at the surface shade what stands below; some keepers let a plant grow out on purpose | rule `plant-at-surface` asks once, the choice is remembered | common practice, no source |
| Tall plants stand behind low ones | rule `plant-covered`, said once | common practice, no source |
| Animals that stay at the surface lack oxygen, have too much CO2 or something harmful in the water: air first, then water | rule `animals-gasping`, emergencies | common practice, no source |
| A loss may be age, several are not: test, then change water | rule `animals-lost` | common practice, no source |
| Hydra live on small animals that leftover food feeds, and multiply by budding while they are fed | rule `hydra`: feed less | Loomis & Lenhoff 1956, J. Exp. Zool. 132:555-573 (from memory); that fish keep them down: common practice, no source |
| Copper and many remedies kill shrimps and snails | cautions of rule `hydra` | common practice, no source |
| Roughly half of the gas that leaves a diffuser dissolves | days left in the cylinder | common practice, no source |

## CO2: which mg/L

"20 to 30 mg/L" comes from people who read CO2 off a table of pH and KH, which is the rule of thumb
3 x KH x 10^(7 - pH). It knows no temperature and no activity of ions. What is dissolved, by the
carbonate balance that Littoral computes, is more:

| the rule of thumb says | dissolved at 20 °C | at 24 °C | at 25 °C | at 26 °C | at 28 °C |
| --- | --- | --- | --- | --- | --- |
| 20 | 24 | 23 | 23 | 22 | 22 |
| 25 | 30 | 29 | 28 | 28 | 27 |
| 30 | 36 | 34 | 34 | 33 | 33 |

(KH 4; at KH 2 it is 1 % more, at KH 8 2 % less.) So at 24 to 26 °C the rule reads about 12 % low (9
to 14 from KH 8 to KH 2), at 20 °C 17 %, at 28 °C 8 %. A pH probe beside a 4 dKH reference solution with an indicator is
read off the same table.

What we decided: **every target, ceiling and estimate of Littoral is mg/L dissolved, by the carbonate
balance**, never by the rule.

- The plants' target stays 20 to 30 mg/L dissolved, which the rule calls 18 to 27. The
  trade's figure is no more exact than that, and to aim a little lower is kind to animals and
  the cylinder.
- The trade's upper aim, 30 by the rule, is where warnings begin: fish tolerate 34 mg/L dissolved
  unless the tank says otherwise, shrimps 28 (25 by the rule).
- Between 30 and 34 a keeper who holds 30 by the rule gets a remark, no alarm. Who wants the trade's
  range as it is sets the tank's `targets.co2` to 23 to 34 and the animals' own limits.
- Both figures stand side by side where one might wonder: on the tank's page, in
  `/v1/tanks/{tank}/co2` and `/v1/calculate/co2` as `rule_of_thumb`, and in `littoral co2`.

"""


def _allowed(one: Threshold) -> str:
    return f"{one.low:g} and more" if one.high >= 1e6 else f"{one.low:g} to {one.high:g}"


def _rows(thresholds: list[Threshold]) -> str:
    head = (
        "| name | default | unit | allowed | what it decides | source |\n"
        "| --- | --- | --- | --- | --- | --- |\n"
    )
    return head + "".join(
        f"| `{one.name}` | {one.default:g} | `{one.unit}` | {_allowed(one)} "
        f"| {one.text} | {one.source} |\n"
        for one in thresholds
    )


def _of(subject: str) -> list[Threshold]:
    return [one for one in THRESHOLDS.values() if one.subject == subject]


def text() -> str:
    """The page."""
    rules = "| code | what it reports | clears after |\n| --- | --- | --- |\n" + "".join(
        f"| `{rule.code}` | {rule.about} | {rule.clear_delay.total_seconds() / 60:g} min |\n"
        for rule in RULES
    )
    return (
        HEAD + "## Rules\n\nA recommendation clears by itself only when "
        "its cause has been gone for\nthe time in the last column, so that noise does not make it "
        "flap.\n\n"
        + rules
        + "\n## Thresholds\n"
        + "".join(f"\n### {subject}\n\n{_rows(_of(subject))}" for subject in SUBJECTS)
    )


if __name__ == "__main__":
    print(text(), end="")
