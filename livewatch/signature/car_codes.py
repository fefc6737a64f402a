"""The car's own fault codes as evidence: where each was set, which causes it speaks for and against, and whether this
drive bears it out.

Events of what control units said of themselves come in by `CarCodes.hear`; beside the causes as judged and the verdict
as given, `CodeEvidence` comes out. A code weighs nothing: it is set from the same corrections that are measured here,
which would count twice. So it changes no word, no probability and no size; it is said where it stands, for, against or
beside what was measured. `with_codes` puts it among the reasons of the causes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import isnan, nan
from typing import Literal

from livewatch.data.events import Event, FaultCodesRead, FreezeFrameRead
from livewatch.data.physics import ABSOLUTE_ZERO, filled_air
from livewatch.signature.cause import LEANS, Cause
from livewatch.signature.causes.codes import LOADS, MIXTURE, Load
from livewatch.signature.causes.facts import FLAT
from livewatch.signature.causes.hypothesis import Hypothesis
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.code_evidence import CodeEvidence, Standing
from livewatch.signature.evidence.coverage import IDLE_SPEED, Coverage
from livewatch.signature.evidence.settled import DENSITY_STANDARD, USUAL_CHARGE, PointMaker
from livewatch.signature.verdict import Verdict

__all__ = ["CarCodes", "with_codes"]

_SHOWN = (
    ("engine_speed", "{:.0f} rpm"),
    ("engine_load", "load {:.0f} %"),
    ("manifold_pressure", "{:.0f} kPa"),
    ("coolant_temperature", "coolant {:.0f} degC"),
    ("short_term_fuel_trim_1", "short term trim {:+.0f} %"),
    ("long_term_fuel_trim_1", "long term trim {:+.0f} %"),
)
"""What is said of a freeze frame."""


class CarCodes:
    """The last word of every control unit on its fault codes, and the freeze frames it gave."""

    def __init__(self) -> None:
        self._listed: dict[tuple[str, str], tuple[str, ...]] = {}
        self._frozen: dict[tuple[str, str], Mapping[str, float]] = {}

    def hear(self, event: Event) -> bool:
        """Take what a unit said of itself; whether it was of fault codes."""
        match event:
            case FaultCodesRead(subject=unit, what=what, codes=codes):
                self._listed[unit, what] = codes
            case FreezeFrameRead(subject=unit, code=str(code), values=values):
                self._frozen[unit, code] = {one.name: float(one.value) for one in values if one.value is not None}
            case _:
                return False
        return True

    def beside(
        self, causes: Sequence[Cause], coverage: Coverage, verdict: Verdict, maker: PointMaker
    ) -> tuple[CodeEvidence, ...]:
        """Every code listed last, in the order the units did, beside what was measured."""
        kinds: dict[tuple[str, str], list[str]] = {}
        for (unit, what), codes in self._listed.items():
            for code in codes:
                kinds.setdefault((unit, code), []).append(what)
        measured = {cause.name: cause for cause in causes}
        found = []
        for (unit, code), said in kinds.items():
            point = self._frozen.get((unit, code), {})
            load = _load_at(point, coverage, maker)
            bearing = {name: _against(code, load, one, measured.get(name)) for name, one in HYPOTHESES.items()}
            speaks = tuple(name for name, why in bearing.items() if why == "")
            against = tuple(name for name, why in bearing.items() if why)
            agrees, contradicts = (
                tuple(measured[name].title for name in some if name in measured and measured[name].established)
                for some in (speaks, against)
            )
            need = _need_at(load, coverage)
            standing = _standing(code, load, need, speaks, agrees, contradicts, coverage, verdict)
            where = _where(point, load)
            found.append(
                CodeEvidence(code, unit, tuple(said), load, where, speaks, against, agrees, contradicts, need, standing)
            )
        return tuple(found)


def with_codes(causes: Sequence[Cause], codes: Sequence[CodeEvidence]) -> tuple[Cause, ...]:
    """The causes with the codes among what speaks for and against them; nothing else of them changes."""
    if not codes:
        return tuple(causes)
    found = []
    for cause in causes:
        hypothesis = HYPOTHESES[cause.name]
        speaks = tuple(f"fault code {one.said}" for one in codes if cause.name in one.speaks_for)
        against = tuple(
            f"fault code {one.said}: {_against(one.code, one.load, hypothesis, cause)}"
            for one in codes
            if cause.name in one.speaks_against
        )
        reasons = replace(
            cause, reasons_for=cause.reasons_for + speaks, reasons_against=cause.reasons_against + against
        )
        found.append(reasons)
    return tuple(found)


def _against(code: str, load: str, hypothesis: Hypothesis, cause: Cause | None) -> str | None:
    """Why a code speaks against a cause; empty where it speaks for it, None where it does not bear on it."""
    plain = code[:5]
    if plain in hypothesis.codes:
        return ""
    if plain in hypothesis.codes_against:
        return "the opposite of what this makes"
    mixture = MIXTURE.get(plain)
    if mixture is None or not hypothesis.mixture:
        return None
    makes = hypothesis.mixture
    effect = None if cause is None else cause.largest_need
    if makes == "either" and effect is not None and abs(effect.value) >= LEANS:
        makes = "lean" if effect.value > 0.0 else "rich"
    if makes not in ("either", mixture.side):
        return f"this makes the mixture {makes}"
    places = {load} if load in mixture.loads else set(mixture.loads)
    return "" if places & set(hypothesis.loads) else "there this does not show"


def _standing(
    code: str,
    load: str,
    need: float,
    speaks: Sequence[str],
    agrees: Sequence[str],
    contradicts: Sequence[str],
    coverage: Coverage,
    verdict: Verdict,
) -> Standing:
    if agrees:
        return "agrees"
    mixture = MIXTURE.get(code[:5])
    signed = need if mixture is None or mixture.side == "lean" else -need
    if contradicts or (mixture is not None and signed <= -FLAT):
        return "contradicts"
    if mixture is not None and load:
        enough = any(group.name == load and group.enough for group in coverage.groups)
        return "not borne out" if enough and signed < FLAT else "open"
    words = {one.system: one.word for one in verdict.systems}
    spoiled = {system for name in speaks for system in HYPOTHESES[name].systems}
    return "not borne out" if spoiled and all(words.get(system) == "fits" for system in spoiled) else "open"


def _load_at(values: Mapping[str, float], coverage: Coverage, maker: PointMaker) -> Load | Literal[""]:
    """The region that a freeze frame's operating point lies in, empty where it does not say."""
    speed = values.get("engine_speed", nan)
    flow = next(_flows(values, speed, maker), nan)
    if not speed > 0.0 or isnan(flow):
        return ""
    place = max((at for at, group in enumerate(coverage.groups) if group.flow[0] <= flow), default=0)
    return LOADS[1] if place == 0 and speed >= IDLE_SPEED else LOADS[place]


def _flows(values: Mapping[str, float], speed: float, maker: PointMaker) -> Iterator[float]:
    """Air flow at a freeze frame, g/s, the best first: metered; by absolute load (SAE J1979); by speed and pressure
    (Heywood 1988, eq. 2.27) with the usual efficiency; by calculated load, taken for a share of what fills the
    cylinders outside (common practice)."""
    if "mass_air_flow" in values:
        yield values["mass_air_flow"]
    filling = DENSITY_STANDARD * maker.displacement * speed / 120.0
    if "absolute_load" in values:
        yield values["absolute_load"] / 100.0 * filling
    if "manifold_pressure" in values:
        kelvin = values.get("intake_air_temperature", USUAL_CHARGE) - ABSOLUTE_ZERO
        yield maker.efficiency * filled_air(maker.displacement, speed, values["manifold_pressure"], kelvin)
    if "engine_load" in values:
        yield values["engine_load"] / 100.0 * filling


def _need_at(load: str, coverage: Coverage) -> float:
    """Need measured at a load, % away from 1, mean of the banks; NaN unknown."""
    known = [need for group in coverage.groups if group.name == load for need in group.need if not isnan(need)]
    return 100.0 * (sum(known) / len(known) - 1.0) if known else nan


def _where(values: Mapping[str, float], load: str) -> str:
    said = ", ".join(text.format(values[name]) for name, text in _SHOWN if name in values)
    return f"at {load or 'an unknown load'}{f' ({said})' if said else ''}" if values else ""
