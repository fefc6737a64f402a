"""Power and torque at a standard state of the air, after SAE J1349 and ISO 1585.

Pressure, temperature and humidity of the air that the engine draws come in; `Correction`s go out: a factor for each
standard, and whether the air was within the range it is meant for. Both are for spark ignition engines at full load.
The factor of SAE J1349 is its form of 1990 and later, which takes the mechanical efficiency to be 85 %; that of ISO
1585 is the same as in UN Regulation No. 85, annex 5. Formulas and ranges are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt
from typing import Any, Literal

__all__ = ["Correction", "corrections", "dry_pressure", "iso_1585", "sae_j1349", "saturated_vapour_pressure"]

Standard = Literal["SAE J1349", "ISO 1585"]
SAE_DRY, SAE_KELVIN = 99.0, 298.0
ISO_DRY, ISO_KELVIN = 99.0, 298.0
FACTORS = (0.93, 1.07)
"""Outside it a test is to be repeated in other air, in both standards."""


@dataclass(frozen=True, slots=True)
class Correction:
    """One standard's factor for the air of one pull. `is_within`: whether the standard means it for such air."""

    standard: Standard
    factor: float
    is_within: bool

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {"standard": self.standard, "factor": round(self.factor, 5), "within_its_range": self.is_within}


def saturated_vapour_pressure(celsius: float) -> float:
    """kPa over water; Magnus' formula with the constants of WMO-No. 8 (2018), annex 4.B."""
    return 0.6112 * exp(17.62 * celsius / (243.12 + celsius))


def dry_pressure(pressure: float, celsius: float, humidity: float) -> float:
    """kPa of the air without its water vapour: `pressure` kPa absolute, relative `humidity` %."""
    return pressure - humidity / 100.0 * saturated_vapour_pressure(celsius)


def sae_j1349(dry: float, celsius: float) -> float:
    """Factor on measured power: 1.180 (99 / dry) sqrt((celsius + 273) / 298) - 0.18; `dry` kPa."""
    return 1.180 * (SAE_DRY / dry) * sqrt((celsius + 273.0) / SAE_KELVIN) - 0.18


def iso_1585(dry: float, celsius: float) -> float:
    """Factor on measured power: (99 / dry)^1.2 ((celsius + 273) / 298)^0.6; `dry` kPa."""
    factor: float = (ISO_DRY / dry) ** 1.2 * ((celsius + 273.0) / ISO_KELVIN) ** 0.6
    return factor


def corrections(pressure: float, celsius: float, humidity: float) -> tuple[Correction, ...]:
    """Both standards' factors for air of `pressure` kPa absolute, `celsius` and relative `humidity` %."""
    dry = dry_pressure(pressure, celsius, humidity)
    sae, iso = sae_j1349(dry, celsius), iso_1585(dry, celsius)
    low, high = FACTORS
    return (
        Correction("SAE J1349", sae, 90.0 <= dry <= 105.0 and 15.0 <= celsius <= 35.0 and low <= sae <= high),
        Correction("ISO 1585", iso, 80.0 <= dry <= 110.0 and 15.0 <= celsius <= 35.0 and low <= iso <= high),
    )
