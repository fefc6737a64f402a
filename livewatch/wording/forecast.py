"""A build sheet's forecast in words: what every edge that shows one says in the same way."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import isfinite

from livewatch.build_sheet.forecast import Forecast
from livewatch.build_sheet.points import CONDITIONS
from livewatch.build_sheet.prediction import Recalibrate, Severity, per_cent
from livewatch.build_sheet.supply import MOST_DUTY, Supply
from livewatch.data.channels import in_words
from livewatch.profile.model import Engine

__all__ = ["CONDITIONS", "RECALIBRATE", "SEVERITY_MARKS", "engine_text", "in_words", "need_rows", "supply_lines"]

SEVERITY_MARKS: Mapping[Severity, str] = {"serious": "!!!", "moderate": " !!", "slight": "  !", "none": "  ·"}
"""A shape for each severity."""
RECALIBRATE: Mapping[Recalibrate, str] = {
    "yes": "needs another calibration",
    "no": "needs no other calibration",
    "unknown": "may need another calibration: unknown until measured",
}


def engine_text(engine: Engine) -> str:
    """The engine in half a line."""
    meter = "with an air meter" if engine.air_metering == "mass_air_flow" else "on speed-density, without an air meter"
    cylinders = f"{engine.cylinders} cylinder{'s' if engine.cylinders > 1 else ''}"
    return f"{engine.displacement:g} L, {cylinders}, {engine.induction.replace('_', ' ')}, {meter}"


def need_rows(forecast: Forecast) -> Iterator[tuple[str, ...]]:
    """What is needed at each of `CONDITIONS`, a row a difference; then all together, and the authority it takes."""
    for prediction in forecast.predictions:
        name = f"{in_words(prediction.slot)}, {prediction.cause.replace('_', ' ')}"
        if prediction.need:
            yield name, *(per_cent(prediction.need[c]) if c in prediction.need else "?" for c in CONDITIONS)
        elif prediction.is_unknown_need:
            yield name, *["unknown"] * len(CONDITIONS)
    rows = forecast.authority
    complete = all(use.is_complete for use in rows)
    yield "all together" if complete else "all together, without the unknown", *(per_cent(use.need) for use in rows)
    yield "of the long term trim", *(_used(use.long_share) for use in rows)
    yield "of both trims together", *(_used(use.share) for use in rows)
    yield "left beyond it", *(f"{use.left:.1f} %" if use.left > 0.0 else "none" for use in rows)


def supply_lines(supply: Supply) -> Iterator[str]:
    """What the fuel supply brings against what the air takes."""
    stated = "as stated" if supply.is_air_stated else "taken as plausible"
    fuel = "unknown" if supply.fuel is None else f"{supply.fuel:.1f} g/s"
    yield f"Air {supply.air:.0f} g/s ({stated}) takes fuel {fuel}."
    known = []
    if supply.injectors is not None:
        known.append(f"the injectors bring {supply.injectors:.1f} g/s at {MOST_DUTY * 100.0:.0f} % duty")
    if supply.pump is not None:
        known.append(f"the pump brings {supply.pump:.1f} g/s")
    if known:
        sentence = " and ".join(known)
        yield f"{sentence[:1].upper()}{sentence[1:]}."
    if supply.headroom is not None and supply.limit is not None and supply.air_reach is not None:
        first = supply.limit[0]
        only = "" if len(known) == 2 else f" (the {'pump' if first == 'injectors' else 'injectors'} not counted)"
        left = f"{supply.headroom * 100.0:.0f} % is left" if supply.headroom >= 0.0 else (
            f"{-supply.headroom * 100.0:.0f} % is lacking"
        )  # fmt: skip
        yield f"{left}{only}: enough for {supply.air_reach:.0f} g/s of air."
    for missing in supply.missing:
        yield f"missing: {missing}"


def _used(share: float) -> str:
    return f"{share * 100.0:.0f} %" if isfinite(share) else "has none"
