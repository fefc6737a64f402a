"""Which mixture the calibration wants at each look, as far as it is told or can be known.

Readings come in; `Mixture` goes out: commanded lambda, or what stands in for it. With the loop closed that is 1, but
for full load with a wideband sensor, whose loop holds whatever is commanded: where it is seen to hold it, need is what
the trims say. With the loop open nobody knows, until full load is leaner than anybody wants it: then need is more than
the leanest command would make it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livewatch.signature.evidence.looking_back import highest, lowest, spread
from livewatch.signature.evidence.readings import NO_COMMAND, Column, Mask, Readings

__all__ = ["COMMANDED_ONE", "LEANEST_RICH", "LEAN_VOLTS", "STUCK", "USUAL_RICH", "Mixture", "mixture_of"]

COMMANDED_ONE = 0.015
"""How far commanded lambda may be from 1 to be taken for it; and a measured one, where no command is told."""
USUAL_RICH, LEANEST_RICH = 0.88, 0.95
"""Lambda that calibrations command at full load, 0.80 to 0.95; common practice."""
LASTING = 8
"""Looks for which full load has to be lean: a moment's lean mixture is the last one's."""
LEAN_VOLTS, STUCK = 0.35, 12
"""V of a narrow-band sensor below which it is lean, and looks on one side after which it is out of balance; common
practice."""
HELD = 0.02
"""By how much lambda may move in so many looks while a loop that has got there holds it; common practice."""


@dataclass(frozen=True, slots=True)
class Mixture:
    """What n looks want.

    Attributes:
        target: lambda, float64 (n,), NaN where nobody knows. untold: bool (n,), whether it tells nothing of need.
        opened: whether the loop is open and nothing told. leaner: whether need is more than `target` makes it.
        held: whether a loop holds a mixture that nobody told.
        shown: whether the loop is open under load with nothing told, and a wideband sensor shows what comes of it.
    """

    target: Column
    untold: Mask
    opened: Mask
    leaner: Mask
    held: Mask
    shown: Mask


def mixture_of(readings: Readings, closed: Mask, loaded: Mask, wideband: bool, ended: Mask) -> Mixture:
    """`closed`: whether the loop is closed; `loaded`: whether the engine is, so that calibrations enrich; `ended`:
    whether the trims can add no more."""
    told = readings["commanded_lambda"]
    commanded = np.where(told > NO_COMMAND, told, np.nan)
    silent = np.isnan(commanded)
    leaner = enriched = held = shown = np.zeros(len(told), np.bool_)
    if wideband and silent.any():
        richest = lowest(np.fmin(readings["lambda_1"], readings["lambda_2"]), LASTING)
        leaner = silent & ~closed & (richest > 1.0)
        # Richer may be what the calibration wants.
        enriched = silent & loaded & ~(richest > 1.0 - COMMANDED_ONE)
        held = enriched & closed & (ended | _holds(readings))
    elif not wideband and not closed.all():
        volts = np.fmax(readings["oxygen_sensor_voltage_1"], readings["oxygen_sensor_voltage_2"])
        leaner = ~closed & (highest(volts, STUCK) < LEAN_VOLTS)
    if leaner.any() or (wideband and silent.any()):
        lasting = lowest(loaded.astype(np.float64), LASTING) > 0.0
        leaner = leaner & lasting
        shown = silent & ~closed & lasting & ~leaner if wideband else shown
    target = np.where(silent, np.where(closed, 1.0, np.where(leaner, LEANEST_RICH, np.nan)), commanded)
    target = np.where(held, readings["lambda_1"], target)
    return Mixture(
        target, np.isnan(target) | (enriched & ~held), silent & ~closed, leaner | (held & ended), held, shown
    )


def _holds(readings: Readings) -> Mask:
    """Whether a closed loop is seen to work and has got there: its trim moves, the mixture does not."""
    moves = spread([readings[name] for name in ("lambda_1", "lambda_2", "short_term_fuel_trim_1")], STUCK)[1]
    holds: Mask = (np.fmax(moves[0], moves[1]) < HELD) & (moves[2] > 0.0)
    return holds
