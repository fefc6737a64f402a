"""Factors of SAE J1349 and ISO 1585 against values worked by hand, and water vapour against the steam tables.

No published worked example of either standard was at hand, nor an open-source library that computes them: the lists of
the package registries were searched for both numbers, for their predecessors (DIN 70020, JIS D 1001, 80/1269/EEC) and
for libraries about engines. Formulas are from memory. What stands beside them is worked by hand; that of SAE J1349 is
derived once more from what it assumes.
"""

from __future__ import annotations

import pytest

from livewatch.diagnosis.power_correction import (
    corrections,
    dry_pressure,
    iso_1585,
    sae_j1349,
    saturated_vapour_pressure,
)


@pytest.mark.parametrize(
    ("dry", "celsius", "factor"),
    # SAE J1349 of 1990, the formula worked by hand: 1.180 (990/Pd) sqrt((Tc+273)/298) - 0.18.
    [(99.0, 25.0, 1.0000), (95.0, 35.0, 1.0701), (90.0, 20.0, 1.1071)],
)
def test_sae_j1349(dry: float, celsius: float, factor: float) -> None:
    assert sae_j1349(dry, celsius) == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize(
    ("dry", "celsius", "factor"),
    # ISO 1585, as in UN Regulation No. 85, annex 5: (99/ps)^1.2 (T/298)^0.6, worked by hand (from memory).
    [(99.0, 25.0, 1.0), (95.0, 25.0, 1.05074), (99.0, 35.0, 1.02000), (90.0, 20.0, 1.10984)],
)
def test_iso_1585(dry: float, celsius: float, factor: float) -> None:
    assert iso_1585(dry, celsius) == pytest.approx(factor, abs=2e-5)


@pytest.mark.parametrize("dry", [90.0, 95.0, 99.0, 103.0])
@pytest.mark.parametrize("celsius", [15.0, 25.0, 35.0])
def test_sae_j1349_is_what_its_assumption_of_85_per_cent_mechanical_efficiency_gives(
    dry: float, celsius: float
) -> None:
    """Indicated power goes as the mass of dry air, friction stays: of 1 measured at the standard state 1 / 0.85 are
    indicated. The standard rounds 1.1765 and 0.1765 to 1.180 and 0.18."""
    air = 99.0 / dry * ((celsius + 273.0) / 298.0) ** 0.5
    assert sae_j1349(dry, celsius) == pytest.approx(air / 0.85 - 0.15 / 0.85, abs=1e-3)


@pytest.mark.parametrize(("celsius", "pressure"), [(10.0, 1.228), (20.0, 2.339), (25.0, 3.170), (30.0, 4.247)])
def test_water_vapour_is_that_of_the_steam_tables(celsius: float, pressure: float) -> None:
    """Saturation pressures of the ASME steam tables, kPa (from memory)."""
    assert saturated_vapour_pressure(celsius) == pytest.approx(pressure, rel=5e-3)


@pytest.mark.parametrize(
    ("pressure", "celsius", "humidity", "dry"),
    # PsychroLib 2.5.0, which follows the ASHRAE Handbook Fundamentals of 2017, chapter 1, eq. 6 and 22.
    [(100.0, 25.0, 50.0, 98.4154), (98.0, 35.0, 80.0, 93.4977), (95.0, 15.0, 30.0, 94.4884)],
)
def test_dry_air_is_that_of_the_ashrae_handbook(pressure: float, celsius: float, humidity: float, dry: float) -> None:
    """To 15 Pa, which moves neither factor by more than 0.0002."""
    assert dry_pressure(pressure, celsius, humidity) == pytest.approx(dry, abs=0.015)
    for factor in (sae_j1349, iso_1585):
        assert factor(dry_pressure(pressure, celsius, humidity), celsius) == pytest.approx(
            factor(dry, celsius), abs=2e-4
        )


def test_humid_air_is_corrected_for_the_air_in_it_alone() -> None:
    assert dry_pressure(100.0, 25.0, 0.0) == 100.0
    assert dry_pressure(100.0, 25.0, 50.0) == pytest.approx(98.415, abs=0.02)


def test_air_that_a_standard_is_not_meant_for_is_said_to_be_so() -> None:
    sae, iso = corrections(99.0, 25.0, 0.0)
    assert sae.is_within and iso.is_within
    sae, iso = corrections(88.0, 25.0, 0.0)  # the height of a mountain pass
    assert not sae.is_within and not iso.is_within  # both factors are beyond 1.07
    assert not corrections(99.0, 40.0, 0.0)[1].is_within
