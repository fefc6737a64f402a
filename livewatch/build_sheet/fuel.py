"""What differences in injectors, pump and fuel do to fuel: `need`, and how sure it is.

One `Difference` and its `Case` come in, `Prediction`s go out. A number that is missing makes the effect unknown: it is
named, and never stood in for by another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from math import isclose

from livewatch.build_sheet.case import Case, everywhere, known
from livewatch.build_sheet.differences import Difference
from livewatch.build_sheet.parts import FuelInTank, FuelPump, Injectors
from livewatch.build_sheet.physics import dead_time_need, flow_at, fuel_facts, fuel_need
from livewatch.build_sheet.points import CONDITIONS
from livewatch.build_sheet.prediction import (
    DEAD_TIME_ERROR,
    DRIVE_GENTLY,
    SUPPLY_ENDS,
    Prediction,
    Recalibrate,
    Severity,
    per_cent,
)
from livewatch.build_sheet.supply import supply_of

__all__ = ["FUEL_SLOTS"]

SPARE = 0.10
"""Share of fuel supply that should be left at full load; common practice, no source."""


def injectors(difference: Difference, case: Case) -> Iterator[Prediction]:
    """Flow, the same error everywhere; dead time, an error that is largest at idle."""
    before, after = difference.before, difference.after
    flows, pressures = difference.both("flow"), difference.both("at")
    if flows is None or pressures is None:
        lacking = difference.lacking("flow", "at")
        yield Prediction(
            "injectors", "injection", "injector_flow", difference.found, "unknown", "serious",
            "The calibration turns fuel into opening time with the flow of its own injectors: with others of unknown "
            "flow every mixture that is not corrected is wrong by the unknown ratio.",
            missing=(f"{lacking}: flow means nothing without the pressure it was measured at, Q2 = Q1 sqrt(p2/p1)",),
            refuse=f"the flow of the injectors is unknown, and so is the mixture at full load: {DRIVE_GENTLY}",
            is_unknown_need=True,
        )  # fmt: skip
    else:
        new = flow_at(flows[1], pressures[1], pressures[0])
        ratio = new / flows[0]
        need = 1.0 / ratio
        why = (
            f"At {pressures[0]:g} kPa the fitted injectors flow {ratio:.4f} of those calibrated for"
            + ("" if isclose(*pressures) else f" (theirs is given at {pressures[1]:g} kPa: Q2 = Q1 sqrt(p2/p1))")
            + f": {'too much' if ratio > 1.0 else 'too little'} fuel for every opening time, at every flow."
            if not isclose(ratio, 1.0, abs_tol=1e-3)
            else f"At {pressures[0]:g} kPa both flow the same."
        )
        notes = ("Spray and wall film may differ all the same: look at quick pedal movements.",)
        yield known(
            case, difference, "injection", "injector_flow", why, everywhere(need),
            {"flow ratio": (ratio, "1")}, notes,
        )  # fmt: skip
    if isinstance(before, Injectors | None) and isinstance(after, Injectors):
        yield from _dead_time(difference, case, before, after)


def _dead_time(difference: Difference, case: Case, before: Injectors | None, after: Injectors) -> Iterator[Prediction]:
    times = difference.both("dead_time")
    why = "Dead time is opening time without fuel; the calibration adds its own injectors' to every pulse. "
    comparable = True
    if before is not None and before.dead_time_at is not None and after.dead_time_at is not None:
        comparable = isclose(before.dead_time_at.value, after.dead_time_at.value, rel_tol=0.01)
    if times is None or not comparable:
        lacking = difference.lacking("dead_time") or "both dead times at one supply voltage"
        yield Prediction(
            "injectors", "injection", "injector_dead_time", difference.found, "unknown", "moderate",
            f"{why}With another one the error is largest where pulses are shortest, at idle, and small at full load.",
            missing=(f"{lacking} (ms, at 14 V): it decides the mixture at idle and on a light pedal",),
            is_unknown_need=True,
        )  # fmt: skip
        return
    error = times[1] - times[0]
    if abs(error) < 1e-6:
        return
    size = {DEAD_TIME_ERROR: (error, "ms")}
    open_times = {condition: case.open_time(condition) for condition in CONDITIONS}
    need = {c: max(dead_time_need(error, t), 0.01) for c, t in open_times.items() if t is not None}
    why += f"The fitted ones lose {abs(error):.2f} ms {'more' if error > 0 else 'less'}"
    if not need:
        yield Prediction(
            "injectors", "injection", "injector_dead_time", difference.found, "unknown", "moderate",
            f"{why}: an error that is largest at idle.", size=size, is_unknown_need=True,
            missing=("flow of the calibrated injectors: with it the opening times, and so the need at idle, follow",),
        )  # fmt: skip
        return
    idle, full = (open_times[condition] or 0.0 for condition in (CONDITIONS[0], CONDITIONS[-1]))
    why += f": of {idle:.2f} ms of flow at idle {per_cent(need['idle'])}, of {full:.2f} ms at full load "
    why += f"{per_cent(need['full load'])}."
    stated = before is not None and before.dead_time_at is not None and after.dead_time_at is not None
    notes = () if stated else ("Not stated for both: the supply voltage they hold at; taken to be the same.",)
    yield known(case, difference, "injection", "injector_dead_time", why, need, size, notes)


def fuel_pump(difference: Difference, case: Case) -> Iterator[Prediction]:
    """What the regulator holds changes the injectors' flow; what the pump delivers is where fuel ends."""
    before, after = difference.before, difference.after
    assert isinstance(after, FuelPump)
    old = before if isinstance(before, FuelPump) else None
    if _is_pressure_changed(difference, old, after):
        yield _rail_pressure(difference, case, old, after)
    flows, pressures = difference.both("flow"), difference.both("at")
    if flows is None or pressures is None:
        regulator = difference.lacking("set_pressure")
        yield Prediction(
            "fuel_pump", "fuel supply", "fuel_supply", difference.found, "unknown", "serious",
            "Where the pump delivers less than full load takes, rail pressure falls and the engine runs lean exactly "
            "there; no correction can bring fuel that is not there.",
            missing=(
                f"{difference.lacking('flow', 'at')}: a pump's flow counts at the pressure it works against",
                *([f"{regulator}: if the regulator came with it, injector flow changes, too"] if regulator else []),
            ),
            refuse="it is not known whether the pump delivers what full load takes: compare flows first, or watch rail "
            "pressure while load rises step by step",
        )  # fmt: skip
        return
    less, harder = flows[1] < flows[0] * 0.98, pressures[1] >= pressures[0] * 0.98
    size = {SUPPLY_ENDS: (flows[1], "g/s"), "flow ratio": (flows[1] / flows[0], "1")}
    if not harder:
        yield Prediction(
            "fuel_pump", "fuel supply", "fuel_supply", difference.found, "unknown", "serious",
            f"Its flow is given against {pressures[1]:g} kPa only, that of the calibrated one against {pressures[0]:g} "
            "kPa: a pump delivers less the harder it has to push, along a curve of its own.",
            missing=(f"flow of the fitted pump against {pressures[0]:g} kPa or more",),
            refuse="it is not known whether the pump delivers what full load takes at the pressure it works against",
        )  # fmt: skip
    elif less:
        yield _weaker_pump(difference, case, size)
    else:
        yield Prediction(
            "fuel_pump", "none", "everyday", difference.found, "no", "slight",
            "It delivers no less than the one calibrated for; the regulator decides the pressure, not the pump.",
            size=size,
            notes=(
                "A much stronger pump can overrun the regulator's return at idle: rail pressure then stands too high.",
            ),
        )  # fmt: skip


def _weaker_pump(difference: Difference, case: Case, size: Mapping[str, tuple[float, str]]) -> Prediction:
    supply = supply_of(case)
    why = (
        f"It delivers {size['flow ratio'][0]:.3f} of what the calibrated one does. Up to its limit nothing differs; "
        "beyond it rail pressure falls and the engine runs lean, and no correction brings fuel that is not there."
    )
    if supply.pump is None or supply.fuel is None:
        return Prediction(
            "fuel_pump", "fuel supply", "fuel_supply", difference.found, "unknown", "serious", why, size=size,
            missing=supply.missing,
            refuse="it is not known whether the weaker pump is enough at full load: watch rail pressure while load "
            "rises step by step",
        )  # fmt: skip
    left = supply.pump / supply.fuel - 1.0
    why += f" Full load takes {supply.fuel:.1f} g/s of fuel: {left * 100.0:+.0f} % is left."
    recalibrate: Recalibrate = "yes" if left < 0.0 else "no"
    severity: Severity = "serious" if left < 0.0 else "moderate" if left < SPARE else "slight"
    notes = ("Tired supply voltage and a filling filter take the rest.",) if 0.0 <= left < SPARE else ()
    return Prediction(
        "fuel_pump", "fuel supply", "fuel_supply", difference.found, recalibrate, severity, why, size=size, notes=notes
    )


def _is_pressure_changed(difference: Difference, before: FuelPump | None, after: FuelPump) -> bool:
    if difference.is_changed("set_pressure"):
        return True
    references = {pump.referenced_to for pump in (before, after) if pump is not None and pump.referenced_to}
    return len(references) == 2


def _rail_pressure(difference: Difference, case: Case, before: FuelPump | None, after: FuelPump) -> Prediction:
    need: dict[str, float] = {}
    for condition in CONDITIONS:
        manifold = case.points[condition].manifold
        old, new = case.across(before, manifold), case.across(after, manifold)
        if old is not None and new is not None:
            need[condition] = flow_at(1.0, new, old)
    pressures = difference.both("set_pressure")
    lacking = difference.lacking("set_pressure", "referenced_to")
    if len(need) < len(CONDITIONS):
        need = {}
    if not need and pressures is not None and not (before and before.referenced_to and after.referenced_to):
        # Both regulators are taken for one kind: only then does the ratio of set pressures hold everywhere.
        need = everywhere(flow_at(1.0, pressures[1], pressures[0]))
    why = (
        "Injector flow goes with the square root of the pressure across it (Q2 = Q1 sqrt(p2/p1)), and the calibration "
        "counts on its own."
    )
    if not need:
        return Prediction(
            "fuel_pump", "injection", "injector_flow", difference.found, "unknown", "serious", why,
            missing=(f"{lacking or 'pressures that leave something at full load'}: what is across the injectors",),
            refuse=f"the pressure across the injectors is not the calibrated one, by an unknown amount: {DRIVE_GENTLY}",
            is_unknown_need=True,
        )  # fmt: skip
    unsaid = difference.lacking("referenced_to")
    notes = (f"Not stated: {unsaid}; both are taken for regulators of one kind.",) if unsaid else ()
    size = {"flow ratio": (1.0 / need["full load"], "1")}
    return known(case, difference, "injection", "injector_flow", why, need, size, notes)


def fuel(difference: Difference, case: Case) -> Iterator[Prediction]:
    """Another fuel: other mass of it for the same air, and another resistance to knock."""
    before, after = difference.before, difference.after
    assert isinstance(after, FuelInTank)
    new = fuel_facts(after)
    old = case.calibrated_fuel() if before is None else fuel_facts(before) if isinstance(before, FuelInTank) else None
    if old is None or new is None:
        yield Prediction(
            "fuel", "injection", "injector_flow", difference.found, "unknown", "serious",
            "How much of a fuel burns with a gram of air, and how well it resists knock, are different for every fuel.",
            missing=("name or ethanol content (% by volume) of both fuels: they give the stoichiometric ratios",),
            refuse="neither the mixture nor the knock limit of an unknown fuel can be foretold at full load",
            is_unknown_need=True,
        )  # fmt: skip
        return
    need = fuel_need(old, new)
    if need is None:
        yield Prediction(
            "fuel", "injection", "injector_flow", difference.found, "yes", "serious",
            "A gas in place of a liquid (or the other way round) is another fuel system altogether.",
            refuse="nothing of a calibration for a liquid fuel holds for a gas", is_unknown_need=True,
        )  # fmt: skip
        return
    if not isclose(need, 1.0, abs_tol=1e-3):
        yield _blend(difference, case, need, old.ratio, new.ratio)
    yield from _octane(difference, case, isclose(need, 1.0, abs_tol=1e-3))


def _blend(difference: Difference, case: Case, need: float, old: float, new: float) -> Prediction:
    recalibrate, _ = case.judge.verdict(everywhere(need))
    family, cause = ("none", "everyday") if recalibrate == "no" else ("injection", "injector_flow")
    why = (
        f"Stoichiometric air-fuel ratio {new:.2f} instead of {old:.2f} (Heywood 1988, table D.4, by mass fractions): "
        f"{per_cent(old / new)} fuel by mass for the same air, of which the densities leave {per_cent(need)} of "
        "opening time. The same at every flow; in a drive it looks like injectors of another size."
    )
    notes = []
    if any(channel.name == "ethanol_content" for channel in case.profile.channels):
        notes.append(
            "The profile has ethanol_content: a computer that follows such a sensor corrects for this, and what is "
            "left is less."
        )
    if new < 13.0 and new < old:
        notes.append("Hoses, seals and pump must be made for that much alcohol.")
    size = {"as if injectors flowed": (1.0 / need, "1")}
    return known(case, difference, family, cause, why, everywhere(need), size, tuple(notes))


def _octane(difference: Difference, case: Case, same_blend: bool) -> Iterator[Prediction]:
    octane = difference.both("octane")
    if octane is None:
        if same_blend:
            return
        yield Prediction(
            "fuel", "none", "everyday", "another fuel, and not both octane numbers", "unknown", "slight",
            "Ignition is calibrated to the knock limit of one fuel.",
            missing=(f"{difference.lacking('octane')} (RON): a lower one knocks under load",),
        )  # fmt: skip
    elif octane[1] < octane[0]:
        boosted = case.boosted
        yield Prediction(
            "fuel", "none", "everyday", f"fitted {octane[1]:g} RON; calibrated for {octane[0]:g} RON", "yes",
            "serious" if boosted else "moderate",
            "Ignition is calibrated to the knock limit of the better fuel; knock control can take back only so much, "
            "and it hears a knock before it takes anything back.",
            refuse="lower octane than calibrated under boost: knock at full load breaks pistons" if boosted else None,
            notes=() if boosted else ("Watch knock_retard before driving it at full load.",),
        )  # fmt: skip


FUEL_SLOTS: Mapping[str, Callable[[Difference, Case], Iterator[Prediction]]] = {
    "injectors": injectors,
    "fuel_pump": fuel_pump,
    "fuel": fuel,
}
"""What is asked about a difference in each of these slots."""
