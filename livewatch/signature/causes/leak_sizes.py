"""How large a leak is: air that comes in under vacuum, or leaves under boost, as a flow and as the hole that does it.

A judged leak comes in, with the observations it was fitted to and the pulls; its estimates go out. A leak that began in
the middle of the drive is sized by what came after, one that opened in a pull by what was lost in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import exp, isnan, log

import numpy as np

from livewatch.data.physics import hole_diameter
from livewatch.signature.causes.hypothesis import Judged, Variant
from livewatch.signature.effect import Bend, Effect, bent
from livewatch.signature.estimates import SIGMAS, Estimate, band_of, mapped
from livewatch.signature.evidence.boost_figures import air_lost
from livewatch.signature.evidence.boost_response import Response
from livewatch.signature.evidence.gathering import PRESSURE_ERROR
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column, Mask
from livewatch.signature.inference import Fit, Whitened

__all__ = ["LOST", "begun", "lost_in_pull", "pressure_leak", "vacuum_leak"]

LOST = 0.08
"""Spread of the logarithm by which metered air over speed and pressure rises within a pull, with sound pipes: common
practice, and pulls of simulated cars."""
EDGE = 0.06
"""Share by which the discharge of a hole leaves its diameter open (Heywood 1988, appendix C: 0.6 to 0.7)."""
OPENED_IN_PULL = 0.3
"""Share of the metered air lost within a pull from which that tells the size of a leak, rather than the loads before
and after: too large a hole leaves no boost, and so nothing across it, to know it by."""
LEAST_AFTER = 3
"""Observations of need that a leak has to be sized by."""
MIXED = 2.0
"""How many times larger than measured a leak may be that was seen in one stretch of the drive only: that may have begun
without it."""


def begun(seen: Observations, cause: str, effect: Effect) -> Iterator[Variant]:
    """The effect of a leak begun in the middle of the drive: hoses come off. `unknown` is minus the stretch it began
    in."""
    stretch = seen.regions.stretch[seen.row]
    last = int(stretch.max()) if len(stretch) else 0
    for start in range(1, last + 1):
        yield Variant(cause, _masked(effect, (stretch >= start).astype(np.float64)), float(-start), -log(2.0 * last))


def _masked(effect: Effect, mask: Column) -> Effect:
    bend = effect.shape
    if not isinstance(bend, Bend):
        return Effect(
            lambda size: mask * effect.mean(size), lambda size: mask * effect.slope(size), effect.spread, effect.low
        )
    shut = None if bend.shut is None else mask * bend.shut
    return bent(replace(bend, sign=mask * bend.sign, shut=shut), effect.spread, effect.low)


def vacuum_leak(judged: Judged, seen: Observations) -> list[Estimate]:
    """Air let in at idle, and the hole."""
    vacuum = seen.of("vacuum")
    idle = (seen.of("speed") < 1200.0) & ~np.isnan(vacuum)
    share = float(np.mean(vacuum[idle])) if idle.any() else 1.0
    band = _after(judged, seen, np.ones(len(seen), np.bool_))
    return [mapped("air let in at idle", "g/s", band, lambda s: s * share), _hole(band)]


def pressure_leak(judged: Judged, seen: Observations, responses: Sequence[Response]) -> list[Estimate]:
    """The share of the metered air that is lost at full boost, and the hole; or what was lost since it opened."""
    lost = lost_in_pull(responses)
    if lost is not None:
        return [lost]
    if not judged.variants or isnan(judged.fit.size):
        return []
    pushed, air = np.nan_to_num(seen.of("pushed")), seen.of("air")
    boosted = seen.of("boost") > seen.of("outside") + 10.0
    band = _under_boost(judged, seen)
    if not boosted.any():
        return [_hole(band)]
    most = float((pushed / np.maximum(air, 1.0))[boosted].max())
    what = "of the metered air lost at full boost"
    return [mapped(what, "%", band, lambda s: 100.0 * min(1.0, s * most)), _hole(band)]


def lost_in_pull(responses: Sequence[Response]) -> Estimate | None:
    """What leaves since something opened in the middle of a pull; None where nothing did."""
    lost = air_lost(responses)
    if lost <= OPENED_IN_PULL:
        return None
    low, high = (100.0 * max(0.0, 1.0 - (1.0 - lost) * exp(by * SIGMAS * LOST)) for by in (1.0, -1.0))
    return Estimate("of the metered air lost since a pipe opened in a pull", 100.0 * lost, "%", low, high)


def _hole(band: tuple[float, float, float]) -> Estimate:
    """The equivalent hole; how sharp its edge is, is not known."""
    value, low, high = (hole_diameter(one) for one in band)
    low = value - float(np.hypot(value - low, EDGE * value))
    high = value + float(np.hypot(high - value, EDGE * value))
    return Estimate("diameter of one round hole that does the same", value, "mm", max(0.0, low), high)


def _under_boost(judged: Judged, seen: Observations) -> tuple[float, float, float]:
    """The leak fitted once more without the loads at which the pressure across it is no larger than the error of the
    sensors: what leaves there cannot be known from them."""
    across = np.nan_to_num(seen.of("boost") - seen.of("outside"))
    if not _best(judged).effect.slope(judged.fit.size)[across > PRESSURE_ERROR].any():
        return band_of(judged.fit, 0.0)  # It was never driven under boost, or began after that.
    told = (across <= 0.0) | (across > PRESSURE_ERROR) | (seen.kind == "supply") | (seen.kind == "idle")
    return _after(judged, seen, told)


def _after(judged: Judged, seen: Observations, told: Mask) -> tuple[float, float, float]:
    """The size and its interval by the observations `told`, less those that mix what was before it began and after."""
    best = _best(judged)
    if judged.others and best.unknown >= 0.0:
        # As fitted together: what stands beside it is known no better than it is.
        return band_of(judged.fit, 0.0)
    settled = told & ~seen.regions.lesser[seen.row]
    if (settled & np.char.startswith(seen.kind, "need")).sum() >= LEAST_AFTER:
        told = settled
    if best.unknown >= 0.0:
        return band_of(judged.fit if told.all() else _fitted_again(judged, seen, told), 0.0)
    began, stretch = int(-best.unknown), seen.regions.stretch[seen.row]
    # It began in the stretch that says so, or in the one before.
    later = told & (stretch > began)
    if (later & np.char.startswith(seen.kind, "need")).sum() >= LEAST_AFTER:
        return band_of(_fitted_again(judged, seen, later | (told & (stretch < began - 1))), 0.0)
    value, low, high = band_of(_fitted_again(judged, seen, told), 0.0)
    return value, low, MIXED * high


def _best(judged: Judged) -> Variant:
    """The most probable shape of a leak."""
    best, _ = max(zip(judged.variants, judged.shapes, strict=True), key=lambda pair: pair[1][1])
    return best


def _fitted_again(judged: Judged, seen: Observations, told: Mask) -> Fit:
    """The most probable shape fitted to the observations `told` alone."""
    effect = _best(judged).effect
    part = Effect(
        lambda size: effect.mean(size)[..., told], lambda size: effect.slope(size)[told], effect.spread, effect.low
    )
    return Whitened(judged.told(seen)[told], seen.covariance[np.ix_(told, told)]).fit(part)
