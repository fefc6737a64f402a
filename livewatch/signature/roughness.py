"""By how much the effect of the cause that explains most may be off at each observation by itself.

The first cause of an explanation and the observations come in; out goes a standard deviation for each observation, so
that what a large cause leaves over is not taken for a second one. Promised: never less than a share of the effect.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livewatch.data.middle import median
from livewatch.signature.causes.hypothesis import Variant
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.combination import Combination
from livewatch.signature.evidence.gathering import LIFTED, PART, PRESSURE_ERROR
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column

__all__ = ["roughness"]

ROUGH = 0.04
"""Share by which the effect of the first cause may be off at each load by itself; common practice, simulated cars."""
BEGINNING = 0.5
"""The same where a leak was only beginning."""


def roughness(first: Combination, tried: Sequence[Variant], seen: Observations) -> Column:
    """By how much the effect of the first cause may be off at each observation by itself: a share of it; half of it
    where a leak was only beginning, and where a leak under boost is pushed by more than usual at part load, but by no
    more than the sensors' error; and what the next offset of the sensor would change there."""
    if not first.variants:
        return np.zeros(len(seen))
    variant, size = first.variants[0], first.sizes[0]
    rough: Column = ROUGH * np.abs(variant.effect.mean(size))
    if HYPOTHESES[variant.cause].family != "air leak":
        return rough
    whole = np.abs(next(v for v in tried if v.cause == variant.cause and v.unknown >= 0.0).effect.mean(size))
    since = np.ones(len(seen), np.int64)
    if variant.unknown < 0.0:
        since = began = seen.regions.stretch[seen.row] + int(variant.unknown)
        if (began > 0).any():
            # What came after shows it whole.
            rough = np.where((began == -1) | (began == 0), np.maximum(rough, BEGINNING * whole), rough)
    across = np.nan_to_num(seen.of("boost") - seen.of("outside"))
    if variant.cause == "pressure_leak" and ((np.abs(across) > PRESSURE_ERROR) & (since > 0)).any():
        little = (seen.kind != "supply") & (seen.kind != "idle") & (across <= PRESSURE_ERROR)
        # Pushed by more than what is usual at part load, where it is only the sensor's offset.
        part = seen.of("pressure") < PART * seen.of("outside")
        lifted = across - (median(across[part]) if part.any() else 0.0) > LIFTED
        rough = np.where(little & lifted, np.maximum(rough, BEGINNING * float(whole.max(initial=0.0))), rough)
        rough = np.where(little & (since > 0), np.maximum(rough, _offset_doubt(variant, size, tried)), rough)
    return rough


def _offset_doubt(variant: Variant, size: float, tried: Sequence[Variant]) -> Column:
    """By how much the effect of a leak under boost changes from one offset of the pressure sensor to the next."""
    offsets = [one for one in tried if one.cause == variant.cause and one.unknown >= 0.0]
    place = next((k for k, one in enumerate(offsets) if one is variant), 1)
    # Of holes and of gaps, each with its own offsets, the lowest first.
    alike = [k for k in (place - 1, place, place + 1) if 0 <= k < len(offsets)]
    alike = [k for k in alike if (k - place) * (offsets[k].unknown - offsets[place].unknown) >= 0.0]
    doubt: Column = np.ptp(np.array([offsets[k].effect.mean(size) for k in alike]), axis=0) / 2.0
    return doubt
