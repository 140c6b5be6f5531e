from __future__ import annotations

from itertools import product
from typing import get_args

import pytest

from kit.study.description import FactorKindName
from kit.words import FACTOR_KINDS, KG_FORCE_N, QUANTITIES, UNITS, conversion, unit_label


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        # Factors by definition of the prefixes (SI brochure, table 7) and of the minute and hour (table 8).
        (25.4, "mm", "um", 25_400),
        (2, "cm", "mm", 20),
        (2.87, "GPa", "MPa", 2870),
        (1.5, "kN", "N", 1500),
        (90, "min", "h", 1.5),
        (250, "g", "kg", 0.25),
        # Standard gravity 9.806 65 m/s2: 3rd CGPM 1901 (SI brochure).
        (1, "kgf", "N", 9.80665),
        (10, "kg", "N", 98.0665),
        (100, "g", "kgf", 0.1),
    ],
)
def test_conversions(value: float, unit: str, to: str, expected: float) -> None:
    factor = conversion(unit, to)
    assert factor is not None
    assert value * factor == pytest.approx(expected, rel=1e-12)


def test_standard_gravity() -> None:
    assert KG_FORCE_N == 9.80665


def test_conversions_are_consistent() -> None:
    for a, b in product(UNITS, UNITS):
        there, back = conversion(a, b), conversion(b, a)
        if there is not None and back is not None:
            assert there * back == pytest.approx(1, rel=1e-12)
        if UNITS[a].kind == UNITS[b].kind:
            assert there is not None


@pytest.mark.parametrize(
    ("unit", "to"),
    [
        ("GU", "mm"),
        ("N", "kg"),
        ("MPa", "N"),
        ("degC", "furlong"),
        ("furlong", "mm"),
        ("mm", "mm2"),
    ],
)
def test_different_kinds_do_not_convert(unit: str, to: str) -> None:
    assert conversion(unit, to) is None


def test_an_unknown_unit_is_itself() -> None:
    assert conversion("dB", "dB") == 1.0
    assert unit_label("dB") == "dB"


def test_symbols_are_plain_and_labels_unique() -> None:
    assert all(symbol.isascii() for symbol in UNITS)
    assert len({u.label for u in UNITS.values()}) == len(UNITS)
    assert all(unit.symbol == symbol for symbol, unit in UNITS.items())
    assert all(unit.low < unit.high for unit in UNITS.values())


def test_quantities_and_kinds_use_known_units_and_ranges() -> None:
    for name, q in QUANTITIES.items():
        assert q.name == name
        assert q.unit in UNITS
        assert UNITS[q.unit].low <= q.low < q.high
        if name not in {
            "modulus",
            "strain",
        }:  # read off curves, beyond what is usual for their units
            assert q.high <= UNITS[q.unit].high
        assert q.decimals >= 0
    for name, kind in FACTOR_KINDS.items():
        assert kind.name == name
        assert set(kind.units) <= set(UNITS)
        assert kind.low < kind.high


def test_every_kind_can_be_written_in_a_study() -> None:
    assert set(get_args(FactorKindName)) == set(FACTOR_KINDS)
