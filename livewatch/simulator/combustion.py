"""Torque and knock.

In: air, fuel and ignition of the cylinders. Out: torque at the crankshaft (N m), the ignition of best torque and the
ignition at which knock begins (deg before top dead centre). Pure functions.
"""

from __future__ import annotations

from math import exp, pi

__all__ = ["best_ignition", "friction_torque", "heat_released", "ignition_efficiency", "knock_limit"]

LEANEST_BURNING, BURNS_WELL_OVER = 0.45, 0.15
"""Equivalence ratio at which a charge no longer ignites, and how much more burns without misfires: common practice."""


def best_ignition(speed: float, load: float) -> float:
    """Ignition of best torque in deg: earlier with speed, later with the mass in the cylinder (Heywood 1988, figures
    15-3 and 9-19 give the trend; the figures are common practice)."""
    return min(46.0, max(6.0, 25.0 + 2.4e-3 * (speed - 2000.0) - 15.0 * (load - 0.6)))


def ignition_efficiency(below_best: float) -> float:
    """Torque over best torque: 7 % lost 10 deg away (Heywood 1988, figure 15-3), 85 % at the most (common practice)."""
    return max(0.15, 1.0 - 7.0e-4 * below_best * below_best)


def knock_limit(speed: float, load: float, charge: float, octane: float, richness: float) -> float:
    """Ignition in deg at which knock begins.

    The trends are those of the delay of Douaud and Eyzat (Heywood 1988, eq. 9.58: octane, pressure to the power -1.7,
    exp(3800 / T)); in degrees of crank angle: common practice. `charge` in K.
    """
    return (
        27.0
        - 17.5 * (load - 0.8)
        + 2.3e-3 * (speed - 3000.0)
        - 0.20 * (charge - 318.0)
        + 0.75 * (octane - 95.0)
        + 14.0 * max(0.0, richness - 1.0)
    )


def heat_released(richness: float) -> float:
    """Heat over that of a stoichiometric charge: greatest some 10 % rich, falling on both sides, none beyond the
    limit of ignition (Heywood 1988, figure 9-10 and section 9.4.2; the parabola is common practice)."""
    if richness <= LEANEST_BURNING:
        return 0.0
    away = richness - 1.0
    heat = 1.0 + 0.35 * away - 1.6 * away * away
    return max(0.0, heat) * min(1.0, (richness - LEANEST_BURNING) / BURNS_WELL_OVER)


def friction_torque(speed: float, displacement: float, manifold: float, exhaust: float, oil: float) -> float:
    """Friction and gas exchange in N m. Friction: Heywood 1988, eq. 13.6, in bar: 0.97 + 0.15 n + 0.05 n² (n in
    1000/min), less the throttle's share 0.35 bar which is the pressure difference here; cold oil up to 2.4 times at
    263 K, the excess falling to 1/e with each 24 K, down to 243 K (common practice).

    `displacement` m³, pressures Pa, `oil` K.
    """
    thousand = speed * 1e-3
    pressure = (0.62 + 0.15 * thousand + 0.05 * thousand * thousand) * 1e5
    pressure *= 1.0 + 1.4 * exp(-(max(oil, 243.0) - 263.0) / 24.0)
    return (pressure + exhaust - manifold) * displacement / (4.0 * pi)
