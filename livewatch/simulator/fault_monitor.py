"""The fault codes an engine computer would set.

In: what the computer knows each step. Out: pending and confirmed codes of SAE J2012. A monitor that fails for its time
sets the code pending; failing again, or on, for as long makes it confirmed. (SAE J1979 and the regulations count
driving cycles for most of these; one drive stands for two here.) Thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["CODES", "FaultMonitor"]

CODES: Mapping[str, str] = {
    "P0068": "manifold pressure or air meter against throttle position",
    "P0087": "fuel rail pressure too low",
    "P0101": "air meter range or performance",
    "P0171": "system too lean, bank 1",
    "P0172": "system too rich, bank 1",
    "P0174": "system too lean, bank 2",
    "P0175": "system too rich, bank 2",
    "P0234": "turbocharger overboost",
    "P0299": "turbocharger underboost",
}
"""The codes the simulator sets, with their meaning in SAE J2012 in plain words."""


class FaultMonitor:
    """`pending` and `confirmed` in the order they were set, each with the second it happened."""

    def __init__(self) -> None:
        self._failing: dict[str, float] = {}
        self.pending: dict[str, float] = {}
        self.confirmed: dict[str, float] = {}

    def watch(
        self,
        code: str,
        failing: bool,
        needed: float,
        dt: float,
        time: float,
        at_once: bool = False,
        forgets: float = 0.02,
    ) -> None:
        """Count how long monitor `code` fails; `needed` s set it pending, twice that (or `at_once`) confirmed. While it
        passes, it wins `forgets` s back each second: slowly, so that a fault met only in pulls still adds up."""
        spent = self._failing.get(code, 0.0)
        if failing:
            spent += dt
        elif spent > 0.0:
            spent = max(0.0, spent - forgets * dt)
        else:
            return
        self._failing[code] = spent
        if spent >= needed and code not in self.pending:
            self.pending[code] = time
        if spent >= (needed if at_once else 2.0 * needed) and code not in self.confirmed:
            self.confirmed[code] = time
