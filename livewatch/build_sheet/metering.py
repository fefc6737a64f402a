"""What differences around the air meter do to what it reads: `need`, and how sure it is.

One `Difference` and its `Case` come in, `Prediction`s go out. Without an air meter next to nothing follows; with one,
everything that is metered hangs on the bore around it and on the flow in front of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from math import isclose

from livewatch.build_sheet.case import Case, everywhere, known
from livewatch.build_sheet.differences import Difference
from livewatch.build_sheet.physics import metering_need, reading_error
from livewatch.build_sheet.prediction import DRIVE_GENTLY, Prediction

__all__ = ["METERING_SLOTS"]


def intake(difference: Difference, case: Case) -> Iterator[Prediction]:
    """Another intake: with an air meter the reading changes, without one next to nothing does."""
    if not case.metered:
        yield Prediction(
            "intake", "none", "everyday", difference.found, "no", "slight",
            "This engine works out its air from manifold pressure and temperature (speed-density): a different tube in "
            "front changes what reaches the manifold, and the sensor there sees that.",
            notes=("A much freer or tighter intake shifts volumetric efficiency by a per cent or two.",),
        )  # fmt: skip
        return
    housing_stated = any("air_meter_housing" in parts for parts in (case.sheet.calibrated_for, case.sheet.fitted))
    bores = difference.both("bore")
    if housing_stated or "air_meter_housing" in case.sheet.same:
        yield _shape(difference, "The meter sits in a housing of its own, so the bore in front of it sets no scale.")
    elif bores is None:
        yield _unknown_meter(difference)
    else:
        yield _meter_scale(
            difference, case, bores, ("No air meter housing is on the sheet: the meter sits in this bore.",)
        )


def air_meter_housing(difference: Difference, case: Case) -> Iterator[Prediction]:
    """Another bore around the meter is another scale."""
    if not case.metered:
        yield Prediction(
            "air_meter_housing", "none", "everyday", difference.found, "no", "slight",
            "The profile says this engine has no air meter (speed-density): what is around one cannot matter.",
            notes=("If it has one, correct `air_metering` in the profile: the answer is then another.",),
        )  # fmt: skip
        return
    bores = difference.both("bore")
    yield _unknown_meter(difference) if bores is None else _meter_scale(difference, case, bores)


def _meter_scale(
    difference: Difference, case: Case, bores: tuple[float, float], notes: tuple[str, ...] = ()
) -> Prediction:
    need = metering_need(*bores)
    if isclose(need, 1.0, abs_tol=1e-3):
        return _shape(difference, "The bores are equal, so the scale of the meter is the same.", "moderate")
    error = reading_error(need)
    low = error < 0.0
    why = (
        f"The meter feels velocity and its calibration turns that into flow with a bore of {bores[0]:g} mm. At "
        f"{bores[1]:g} mm the flow is ({bores[1]:g}/{bores[0]:g})² = {need:.4f} of what it reads: it reads "
        f"{abs(error) * 100.0:.1f} % too {'little' if low else 'much'}, at every flow. "
    ) + (
        "Fuel is short by as much, and load is taken for lighter than it is: too little fuel with too much ignition."
        if low
        else "Fuel is over by as much, and load is taken for heavier than it is: ignition later and power less."
    )
    size = {"reading error": (error * 100.0, "%"), "bore ratio": (bores[1] / bores[0], "1")}
    return known(case, difference, "metering", "meter_scale", why, everywhere(need), size, notes)


def _shape(difference: Difference, first: str, severity: str = "serious") -> Prediction:
    """Another tube in front of the same bore: a change that no number on a sheet gives."""
    serious = severity == "serious"
    return Prediction(
        difference.slot, "metering", "meter_shape", difference.found, "unknown",
        "serious" if serious else "moderate",
        f"{first} But the meter samples one point of the flow, and another part changes the velocity at that point "
        "(bends, steps, screens, the filter): by how much, and how it bends with flow, no number on a sheet gives.",
        missing=("a drive: steady cruising at several speeds shows the need over air flow",),
        refuse=(
            "an intake in front of an air meter changes its reading by an unknown amount, most at high flow, where too "
            f"little fuel does harm: {DRIVE_GENTLY}"
        )
        if serious
        else None,
        is_unknown_need=True,
        notes=() if serious else (f"Before full load, {DRIVE_GENTLY}.",),
    )  # fmt: skip


def _unknown_meter(difference: Difference) -> Prediction:
    lacking = difference.lacking("bore")
    return Prediction(
        difference.slot, "metering", "meter_scale", difference.found, "unknown", "serious",
        "On an engine with an air meter the bore around it is the scale of all that is metered; one made by another "
        "maker is another part. Without its bore the size of the error is unknown: 2 % of bore are 4 % of fuel.",
        missing=(f"{lacking} (mm, inside, at the meter): it gives the scale, the ratio of the bores squared",),
        refuse=f"the air meter's scale is unknown, and so is how lean or rich full load would be: {DRIVE_GENTLY}",
        is_unknown_need=True,
    )  # fmt: skip


METERING_SLOTS: Mapping[str, Callable[[Difference, Case], Iterator[Prediction]]] = {
    "intake": intake,
    "air_meter_housing": air_meter_housing,
}
"""What is asked about a difference in each of these slots."""
