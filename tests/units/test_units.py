"""Units at the edge: what people write, against definitions from outside the project."""

import pytest

from service.errors import UnknownUnitError
from service.quantities import QUANTITIES
from service.units import HARDNESS, convert, split_number_and_unit, to_canonical


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        # NIST SP 811 (2008), appendix B: exact definitions.
        (1, "ft", "cm", 30.48),
        (1, "inch", "cm", 2.54),
        (1, "gal", "L", 3.785411784),
        (32, "°F", "Cel", 0.0),
        (212, "[degF]", "Cel", 100.0),
        (295.65, "K", "Cel", 22.5),
        # DIN 38409-6: 1 °d = 10 mg/L CaO = 0.3567 mmol/L of charge = 17.85 mg/L CaCO3.
        (1, "dKH", "meq/L", 0.3567),
        (1, "dKH", "mg/L CaCO3", 17.85),
        (1, "S/m", "uS/cm", 10_000.0),
        (1, "kg/m3", "mg/L", 1000.0),
    ],
)
def test_convert_vs_published_definitions(value, unit, to, expected):
    assert convert(value, unit, to) == pytest.approx(expected, rel=2e-4, abs=1e-9)


def test_a_90_45_45_tank_is_3_by_one_and_a_half_feet():
    """Common practice, no source: a 90 x 45 x 45 cm tank is called 3 x 1.5 x 1.5 ft."""
    assert convert(90, "cm", "ft") == pytest.approx(3, abs=0.06)
    assert convert(45, "cm", "ft") == pytest.approx(1.5, abs=0.03)


def test_cool_room_temperature_is_about_72_fahrenheit():
    """Common practice, no source: 22-23 °C is about 72 °F; 15-20 cm is 6-8 in."""
    assert 22 <= to_canonical("temperature", 72, "°F") <= 23
    assert convert(15, "cm", "in") == pytest.approx(6, abs=0.15)
    assert convert(20, "cm", "in") == pytest.approx(8, abs=0.15)


def test_ph_is_not_picohenry():
    assert to_canonical("ph", 6.6, "pH") == 6.6
    with pytest.raises(UnknownUnitError, match="'H'"):
        to_canonical("ph", 6.6, "H")


@pytest.mark.parametrize(
    "unit", ["", "foo", "L; import os", "L**9**9**9", "L^99", "9**9", "a" * 500, "PH", "(m)"]
)
def test_text_that_is_no_unit_is_refused(unit):
    with pytest.raises(UnknownUnitError, match="allowed"):
        convert(1.0, unit, "L")


@pytest.mark.parametrize(
    ("text", "expected"),
    [("72.4 °F", (72.4, "°F")), (" 6.60 ", (6.6, None)), ("1e3lx", (1000.0, "lx"))],
)
def test_split_number_and_unit(text, expected):
    assert split_number_and_unit(text) == expected


@pytest.mark.parametrize("text", ["1{}x{}y", "1 x{}y{}", "1{}x{}\ny"])
def test_many_blanks_are_no_more_work_than_their_number(text):
    """A million of them; the square of that would last for hours."""
    blanks = " " * 1_000_000
    try:
        number, _ = split_number_and_unit(text.format(blanks, blanks))
    except ValueError:
        assert "\n" in text
    else:
        assert number == 1


@pytest.mark.parametrize("text", ["NaN", "inf", "1e999", "", "warm", "--1"])
def test_what_is_no_finite_number_is_refused(text):
    with pytest.raises(ValueError, match="allowed"):
        split_number_and_unit(text)


def test_every_quantity_accepts_its_own_ucum_code():
    for name, quantity in QUANTITIES.items():
        assert to_canonical(name, 1.25, quantity.ucum) == 1.25
        assert convert(1.25, quantity.ucum, quantity.pint_unit) == pytest.approx(1.25)


@pytest.mark.parametrize(
    ("value", "unit", "alkalinity", "hardness"),
    [
        # 1 mmol/L of Ca and Mg: 2 meq/L; an acid capacity (DIN 38409-7) of 1 mmol/L is 1 meq/L.
        (1, "mmol/L", 1, 2),
        (1, "mmol/l", 1, 2),
        (1, "mol/m3", 1, 2),
        (1, "mol/m³", 1, 2),
        (1, "mM", 1, 2),
        (1, "meq/L", 1, 1),
        (1, "mval/L", 1, 1),
        (1, "eq/m3", 1, 1),
        # French degree 10 mg/L CaCO3; English degree 1 grain to the imperial gallon, 14.254 mg/L
        # CaCO3; German degree 17.848 mg/L CaCO3 (ISO 6059 lists them; from memory).
        (10, "°fH", 1.998, 1.998),
        (10, "°e", 2.848, 2.848),
        (10, "°dH", 3.567, 3.567),
        (100, "ppm CaCO3", 1.998, 1.998),
        (100, "mg/L CaCO3", 1.998, 1.998),
        # 1 grain to the US gallon: 17.118 mg/L CaCO3 (NIST SP 811: 64.79891 mg, 3.785412 L)
        (1, "gpg", 0.34208, 0.34208),
    ],
)
def test_hardness_and_alkalinity_each_in_the_units_of_the_trade(value, unit, alkalinity, hardness):
    assert convert(value, unit, "meq/L") == pytest.approx(alkalinity, rel=3e-4)
    assert convert(value, unit, HARDNESS) == pytest.approx(hardness, rel=3e-4)
    assert convert(hardness, HARDNESS, unit) == pytest.approx(value, rel=3e-4)


def test_a_supplier_s_statement_of_hardness_in_its_two_units_is_one():
    """Common practice of German suppliers: 2.5 mmol/L is 14 °dH (DIN 38409-6, WRMG 2007)."""
    assert convert(2.5, "mmol/L", HARDNESS) == pytest.approx(convert(14, "°dH", HARDNESS), rel=3e-3)


def test_each_gallon_by_its_name():
    """NIST SP 811 (2008), appendix B: US gallon 3.785412 L, imperial gallon 4.54609 L."""
    for unit in ("gal", "US gal", "[gal_us]"):
        assert convert(1, unit, "L") == pytest.approx(3.785412, rel=1e-6)
    for unit in ("imp gal", "UK gal", "[gal_br]"):
        assert convert(1, unit, "L") == pytest.approx(4.54609, rel=1e-6)


@pytest.mark.parametrize("unit", ["Mg", "Mg/L", "ML", "Ml", "MS/cm", "Mmol/L", "Meq/L", "g/ML"])
def test_a_capital_m_is_no_million(unit):
    """A million grams or litres is a slip for milli, never what is in a tank."""
    to = {"Mg": "g", "ML": "L", "Ml": "L", "MS/cm": "uS/cm"}.get(unit, "mg/L")
    to = "meq/L" if unit in ("Mmol/L", "Meq/L") else to
    with pytest.raises(UnknownUnitError, match="a capital M is a million; write m for milli"):
        convert(1.0, unit, to)
