"""Symbols of measure: exact conversions, and which door takes which."""

import pytest

from monitor.acquisition.symbols import BEYOND_SENML, SECONDARY, Door, conversions


@pytest.mark.parametrize(
    ("written", "symbol", "number", "value"),
    [
        ("mV", "V", 27100, 27.1),
        ("mA", "A", 850, 0.85),
        ("hPa", "Pa", 1013.25, 101_325.0),
        ("kW", "W", 81.5, 81_500.0),
        ("min", "s", 90, 5_400.0),
        ("h", "s", 2, 7_200.0),
        ("ms", "s", 250, 0.25),
        ("/100", "/", 100, 1.0),
        ("%", "/", 1, 1.0),  # RFC 8428 section 12.1, note 1: no percentage
        ("km/h", "m/s", 36, 10.0),
    ],
)
def test_secondary_units_of_rfc_8798_are_converted_at_both_doors(written, symbol, number, value):
    assert conversions(symbol, Door.SENML)[written](number) == value
    assert conversions(symbol, Door.MAPPING)[written](number) == value


@pytest.mark.parametrize(
    ("written", "symbol", "number", "value"),
    [
        ("degF", "Cel", 32, 0.0),
        ("degF", "Cel", 212, 100.0),
        ("degF", "Cel", -40, -40.0),
        ("K", "Cel", 273.15, 0.0),
        ("psi", "Pa", 1, 6894.757293168361),
        ("inH2O", "Pa", 11, 11 * 249.08891),
        ("inHg", "Pa", 1, 3386.388640341),
        ("kPa", "Pa", 2.74, 2740.0),
    ],
)
def test_names_beyond_senml_are_converted_for_mappings_only(written, symbol, number, value):
    assert conversions(symbol, Door.MAPPING)[written](number) == pytest.approx(value, rel=1e-15, abs=1e-12)
    assert written not in conversions(symbol, Door.SENML)


def test_eleven_inches_of_water_are_2740_pascal():
    """Source: the trade table, gas: 11 inH2O is 2740.0 Pa."""
    assert conversions("Pa", Door.MAPPING)["inH2O"](11) == pytest.approx(2740.0, abs=0.05)


def test_a_signals_own_symbol_comes_first_and_changes_nothing():
    known = conversions("Cel", Door.MAPPING)
    assert next(iter(known)) == "Cel"
    assert known["Cel"](21.123456789) == 21.123456789


def test_no_symbol_stands_in_two_tables():
    assert not SECONDARY.keys() & BEYOND_SENML.keys()
