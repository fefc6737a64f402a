"""What a car says of itself, compared with the session before, and how often it answered, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import isnan
from typing import TYPE_CHECKING

from livewatch.profile.diagnostic_port.fault_codes import code_words

if TYPE_CHECKING:
    from livewatch.run.achieved_rates import Rate
    from livewatch.session.car_record import CarChange

__all__ = ["change_sentence", "rate_caveats", "rate_figures", "rate_words", "rates_sentence"]

SLOW, PULL = 4.0, ("lambda_1", "commanded_lambda", "boost_pressure", "manifold_pressure", "engine_speed")
"""Samples a second below which what happens within a pull is missed, and the channels it is missed of."""


def change_sentence(change: CarChange, session: str) -> str:
    """One sentence; `session` names the session compared with."""
    unit, before, after = change.unit, ", ".join(change.before), ", ".join(change.after)
    match change.kind:
        case "calibration":
            said = f"the calibration was changed since: it was {before}, it is {after}"
        case "calibration contents":
            said = "the calibration was changed since under the same name: its verification number "
            said += f"was {before}, it is {after}"
        case "codes cleared":
            said = f"codes were cleared since: {_codes(change.before)} gone, and monitors began anew"
        case "codes gone":
            said = f"codes are gone since: {_codes(change.before)}"
        case "codes new":
            said = f"codes were stored since: {_codes(change.after)}"
    return f"Control unit {unit}, against session {session}: {said}."


def _codes(codes: tuple[str, ...]) -> str:
    return ", ".join(map(code_words, codes))


def rate_caveats(rates: Mapping[str, Rate]) -> Iterator[str]:
    """What a car that answered slowly leaves open: how often each channel came that a pull is judged by, or that came
    clearly more rarely than wanted. What never came is told as lost."""
    slow = [name for name, rate in rates.items() if name in PULL and 0.0 < rate.achieved < SLOW]
    if slow:
        said = ", ".join(f"{name.replace('_', ' ')} {rate_words(rates[name])}" for name in slow)
        yield f"what happens within a second of a pull: the car was asked and answered too slowly ({said})"
    rarer = [name for name, rate in rates.items() if rate.short and rate.achieved and name not in slow]
    if rarer:
        said = ", ".join(f"{name.replace('_', ' ')} {rate_words(rates[name])}" for name in rarer)
        yield f"what changes between answers that came more rarely than wanted ({said})"


def rates_sentence(rates: Mapping[str, Rate]) -> str:
    """How often each asked channel came."""
    said = ", ".join(f"{name.replace('_', ' ')} {rate_figures(rate)}" for name, rate in rates.items())
    return f"Answered, of what was wanted, in a second: {said}."


def rate_words(rate: Rate) -> str:
    """`2.1 of 10 a second`, or what came alone where nothing was wanted."""
    return f"{rate_figures(rate).replace('/', ' of ')} a second"


def rate_figures(rate: Rate) -> str:
    """`2.1/10`, or what came alone where nothing was wanted."""
    return f"{rate.achieved:.1f}" + ("" if isnan(rate.wanted) else f"/{rate.wanted:.3g}")
