"""What differences in turbocharger, boost control, exhaust and intercooler do to boost, and to what boost rests on.

One `Difference` and its `Case` come in, `Prediction`s go out. Need hardly follows from these parts: an air meter, or
manifold pressure, sees the air they bring. What they change is whether boost does what the calibration commands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from math import isclose, isfinite

from livewatch.build_sheet.case import Case
from livewatch.build_sheet.differences import Difference
from livewatch.build_sheet.parts import WastegateActuator
from livewatch.build_sheet.physics import boost_at_calibrated_duty, charge_temperature, pipe_loss_ratio
from livewatch.build_sheet.points import FULL_LOAD
from livewatch.build_sheet.prediction import Prediction, Recalibrate, Severity
from livewatch.data.channels import in_words
from livewatch.data.physics import STANDARD_PRESSURE

__all__ = ["BOOST_SLOTS"]

SMALL, LARGE = 0.05, 0.10
"""Shares of boost: what the controller takes without a trace, and what is overboost; common practice, no source."""
WARM_DAY = 25.0
"""degC outside for the intercooler's example."""

CREEP = (
    "Less pressure behind the turbine is more power in it and more to pass for the wastegate. Where its port is too "
    "small, boost goes on rising with engine speed although duty is at its floor (boost creep), and no calibration "
    "stops it."
)
"""What a freer pipe behind the turbine can do; common practice."""


def turbocharger(difference: Difference, case: Case) -> Iterator[Prediction]:
    """Another turbocharger: boost control is calibrated to the old one's inertia and flow."""
    size: dict[str, tuple[float, str]] = {}
    facts: list[str] = []
    wheels = difference.both("compressor_wheel")
    if wheels is not None and not isclose(*wheels, rel_tol=1e-3):
        ratio = wheels[1] / wheels[0]
        size["air flow capacity"] = ((ratio**2 - 1.0) * 100.0, "%")
        size["inertia ratio"] = (ratio**5, "1")
        facts.append(
            f"By its compressor wheel ({wheels[0]:g} to {wheels[1]:g} mm, shapes alike) it passes "
            f"{(ratio**2 - 1.0) * 100.0:+.0f} % air and has {ratio**5:.2f} times the inertia: boost comes "
            f"{'later, and then with more momentum' if ratio > 1.0 else 'sooner, and ends earlier'}."
        )
    flows = difference.both("most_air_flow")
    if flows is not None:
        size["most air flow"] = ((flows[1] / flows[0] - 1.0) * 100.0, "%")
        facts.append(f"Its map ends at {flows[1]:g} g/s of air instead of {flows[0]:g} g/s.")
    missing: tuple[str, ...] = ()
    if not facts:
        missing = (
            f"{difference.lacking('compressor_wheel', 'most_air_flow') or 'numbers that differ'}: wheels give response "
            "and flow, the end of the map says how much air, and so fuel, it can ask for",
        )
    notes = ["More air than the calibration's tables reach is not fuelled and timed by anyone's design."]
    if not case.metered:
        notes.append(
            "Without an air meter the exhaust side matters, too: other back pressure is another volumetric efficiency, "
            "and need shifts by an amount that only a drive shows."
        )
    yield Prediction(
        "turbocharger", "boost", "boost_control", difference.found, "yes", "serious",
        " ".join([
            "Boost control is calibrated to one turbocharger: how fast it spins up, what duty holds which boost, and "
            "where it runs out of air.", *facts,
        ]),
        size=size, missing=missing, notes=tuple(notes), is_unknown_need=not case.metered,
        refuse="the duty that held boost on the other turbocharger may overshoot on this one, and fuel and ignition "
        "are calibrated only up to the air that one brought",
    )  # fmt: skip


def wastegate_actuator(difference: Difference, case: Case) -> Iterator[Prediction]:
    """Another spring: boost moves with it wherever duty is not corrected."""
    preload = difference.both("preload")
    if preload is None:
        yield Prediction(
            "wastegate_actuator", "boost", "boost_control", difference.found, "unknown", "serious",
            "The actuator's preload is the least boost there can be, and the calibrated duty builds on it.",
            missing=(f"{difference.lacking('preload')} (kPa above the air outside, where it begins to open)",),
            refuse="how far boost will overshoot on an actuator of unknown preload cannot be foretold",
        )  # fmt: skip
        return
    ratio = boost_at_calibrated_duty(None, preload, None)
    assert ratio is not None
    step = preload[1] - preload[0]
    why = (
        f"The least boost that can be held moves from {preload[0]:g} to {preload[1]:g} kPa, and at the calibrated duty "
        f"boost goes with it: {(ratio - 1.0) * 100.0:+.0f} % before the controller corrects."
    )
    size = {"least boost": (step, "kPa"), "boost at calibrated duty": ((ratio - 1.0) * 100.0, "%")}
    yield _boost(difference, why, size, ratio)


def boost_control_solenoid(difference: Difference, case: Case) -> Iterator[Prediction]:
    """Another solenoid: the same duty bleeds another share of the pressure."""
    bleed = difference.both("bleed")
    actuator = case.calibrated("wastegate_actuator", WastegateActuator)
    preload = None if actuator is None or actuator.preload is None else actuator.preload.value
    point = case.points[FULL_LOAD]
    target = point.manifold - STANDARD_PRESSURE if case.sheet.working_points.full_load.manifold_pressure else None
    first = (
        "The solenoid turns duty into boost by bleeding pressure off the actuator; duty is calibrated to one of them. "
    )
    if bleed is not None and isclose(*bleed, rel_tol=1e-3):
        yield Prediction(
            "boost_control_solenoid", "boost", "boost_control", difference.found, "unknown", "moderate",
            f"{first}Both bleed the same share at full duty; how they get there, and how fast, may differ.",
            notes=("Watch boost against its command at part load before driving at full load.",),
        )  # fmt: skip
        return
    ratio = None
    if bleed is not None and preload is not None:
        ratio = boost_at_calibrated_duty(target, (preload, preload), (bleed[0] / 100.0, bleed[1] / 100.0))
    if bleed is None or ratio is None:
        missing = []
        if lacking := difference.lacking("bleed"):
            missing.append(f"{lacking} (% of the pressure taken off the actuator at full duty)")
        if preload is None:
            missing.append("preload of the calibrated wastegate actuator (kPa): what the bleed acts on")
        if target is None:
            missing.append("manifold_pressure at working_points: full_load (kPa absolute): the boost that is commanded")
        more = bleed is not None and bleed[1] > bleed[0]
        yield Prediction(
            "boost_control_solenoid", "boost", "boost_control", difference.found,
            "unknown" if bleed is None else "yes", "serious",
            first + (
                "By how much this one differs is unknown." if bleed is None
                else f"This one bleeds {bleed[1] / bleed[0]:.2f} of what the calibrated one does: boost is "
                f"{'higher' if more else 'lower'} at every duty."
            ),
            size={} if bleed is None else {"bleed": ((bleed[1] / bleed[0] - 1.0) * 100.0, "%")},
            missing=tuple(missing),
            refuse=None if bleed is not None and not more
            else "the calibrated duty may drive boost far over its command before the controller can take it back",
        )  # fmt: skip
        return
    held = "no wastegate opening at all" if not isfinite(ratio) else f"{(ratio - 1.0) * 100.0:+.0f} % boost"
    why = (
        f"{first}It bleeds {bleed[1] / bleed[0]:.2f} of what the calibrated one does: at the duty that used to hold "
        f"{target:.0f} kPa it means {held} before the controller corrects."
    )
    size = {"bleed": ((bleed[1] / bleed[0] - 1.0) * 100.0, "%")}
    if isfinite(ratio):
        size["boost at calibrated duty"] = ((ratio - 1.0) * 100.0, "%")
    yield _boost(difference, why, size, ratio)


def _boost(difference: Difference, why: str, size: Mapping[str, tuple[float, str]], ratio: float) -> Prediction:
    """A known shift of boost at the calibrated duty."""
    shift = ratio - 1.0
    recalibrate: Recalibrate = "no" if abs(shift) <= SMALL else "yes"
    severity: Severity = (
        "slight" if abs(shift) <= SMALL else "moderate" if abs(shift) <= LARGE or shift < 0 else "serious"
    )
    notes: tuple[str, ...] = ()
    refuse = None
    if shift > LARGE:
        refuse = (
            "boost passes its command by more than 10 % before the controller has learned: overboost, and at best a "
            "fuel cut"
        )
    elif shift < -SMALL:
        notes = ("Boost falls short and duty goes towards its ceiling: weak, and not dangerous by itself.",)
    cause = "underboost" if shift < -SMALL else "boost_control"
    return Prediction(
        difference.slot,
        "boost",
        cause,
        difference.found,
        recalibrate,
        severity,
        why,
        size=size,
        refuse=refuse,
        notes=notes,
    )


def downpipe(difference: Difference, case: Case) -> Iterator[Prediction]:
    """A freer pipe behind the turbine: the wastegate may no longer be able to hold boost down."""
    bores = difference.both("bore")
    lawful = "What an exhaust must keep (catalyst, noise) is for local law to say."
    if not case.boosted or case.engine.induction == "supercharged":
        effect = (
            "the air meter sees it" if case.metered else "nothing measures that here: need shifts by some per cent at "
            "high flow, by how much only a drive shows"
        )  # fmt: skip
        yield Prediction(
            "downpipe", "none", "everyday", difference.found, "no" if case.metered else "unknown",
            "slight" if case.metered else "moderate",
            f"Without a turbine in front of it an exhaust changes how well the engine breathes; {effect}.",
            notes=(lawful,), is_unknown_need=not case.metered,
        )  # fmt: skip
        return
    notes = [lawful]
    if not case.metered:
        notes.append("Speed-density: less back pressure is more air than the table says, and need rises at high flow.")
    unknown = not case.metered
    if bores is None:
        yield Prediction(
            "downpipe", "boost", "boost_creep", difference.found, "unknown", "serious", CREEP,
            missing=(f"{difference.lacking('bore')} (mm, inside, at the narrowest): it gives the back pressure",),
            refuse="a downpipe of unknown bore may let boost creep beyond control: raise load step by step and watch "
            "boost against its command first",
            notes=tuple(notes), is_unknown_need=unknown,
        )  # fmt: skip
        return
    loss = pipe_loss_ratio(*bores)
    size = {"pressure lost in the pipe": ((loss - 1.0) * 100.0, "%")}
    measure = (
        f"{bores[0]:g} to {bores[1]:g} mm: the pressure lost along it is {loss:.2f} of what it was, at the same flow."
    )
    if bores[1] > bores[0] * 1.03:
        yield Prediction(
            "downpipe", "boost", "boost_creep", difference.found, "yes", "serious", f"{measure} {CREEP}",
            size=size, notes=tuple(notes), is_unknown_need=unknown,
            refuse="boost creep cannot be ruled out on a freer downpipe: until boost control is recalibrated, and load "
            "has been raised step by step with boost following its command, one pull can overboost the engine",
        )  # fmt: skip
    elif bores[1] < bores[0] * 0.97:
        yield Prediction(
            "downpipe", "boost", "underboost", difference.found, "yes", "moderate",
            f"{measure} The turbine has less to work with: boost comes later and may fall short, and the exhaust runs "
            "hotter for the same boost.",
            size=size, notes=(*notes, "Watch exhaust_gas_temperature where there is a sensor."),
            is_unknown_need=unknown,
        )  # fmt: skip
    else:
        yield Prediction(
            "downpipe", "boost", "boost_creep", difference.found, "unknown", "moderate",
            f"{measure} What else lies in it (catalyst, bends, the seat of the wastegate) is not in a bore.",
            size=size, notes=(*notes, "Raise load step by step and watch boost against its command."),
            is_unknown_need=unknown,
        )  # fmt: skip


def intercooler(difference: Difference, case: Case) -> Iterator[Prediction]:
    """Other charge temperature and other volume: knock, and how quickly boost answers."""
    effect, volume = difference.both("effectiveness"), difference.both("volume")
    size: dict[str, tuple[float, str]] = {}
    facts = ["Charge temperature moves the knock limit; meter or manifold sensors see the air itself."]
    warmer = 0.0
    if effect is not None:
        point = case.points[FULL_LOAD]
        old, new = (charge_temperature(WARM_DAY, point.manifold, share / 100.0) for share in effect)
        warmer = new - old
        size["charge temperature"] = (warmer, "K")
        facts.append(
            f"At full load ({point.manifold:g} kPa, {WARM_DAY:g} °C outside) the charge is about {new:.0f} °C instead "
            f"of {old:.0f} °C."
        )
    slower = False
    if volume is not None and not isclose(*volume, rel_tol=0.01):
        size["volume to fill"] = ((volume[1] / volume[0] - 1.0) * 100.0, "%")
        slower = abs(volume[1] / volume[0] - 1.0) > 0.3
        facts.append(f"{volume[1]:g} L to fill instead of {volume[0]:g} L: boost answers its controller accordingly.")
    lacking = difference.lacking("effectiveness", "volume")
    hot = warmer > 10.0
    severity: Severity = "moderate" if hot or slower or effect is None else "slight"
    notes = ("Hotter charge knocks sooner: watch knock_retard and keep off full load on a hot day.",) if hot else ()
    yield Prediction(
        "intercooler", "boost" if slower else "none", "boost_control" if slower else "everyday", difference.found,
        "yes" if hot or slower else "unknown" if effect is None else "no", severity, " ".join(facts), size=size,
        missing=(f"{lacking}: they give charge temperature and response",) if lacking else (), notes=notes,
    )  # fmt: skip


def without_boost(difference: Difference, case: Case) -> Iterator[Prediction]:
    """A part of forced induction on an engine whose profile has none."""
    yield Prediction(
        difference.slot, "boost", "boost_control", difference.found, "yes", "serious",
        f"The profile describes a naturally aspirated engine; with a {in_words(difference.slot)} it is another engine, "
        "and nothing of its calibration holds under boost.",
        refuse="an engine calibrated without boost must not be run at full load with it",
        notes=("If the engine is boosted as built, correct `induction` in the profile.",),
    )  # fmt: skip


BOOST_SLOTS: Mapping[str, Callable[[Difference, Case], Iterator[Prediction]]] = {
    "turbocharger": turbocharger,
    "wastegate_actuator": wastegate_actuator,
    "boost_control_solenoid": boost_control_solenoid,
    "downpipe": downpipe,
    "intercooler": intercooler,
}
"""What is asked about a difference in each of these slots."""
