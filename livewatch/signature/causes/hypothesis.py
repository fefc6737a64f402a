"""What one cause is to the signature: how probable beforehand, what it does to the evidence, and what it means.

`Hypothesis` is the one class to derive from. A cause on the fuel side gives `variants`: shapes of what it does to the
observations, as functions of one size. A cause of boost gives a `symptom` of what the pulls showed. Both give estimates
in engineering units, what speaks for and against them, and what would settle them. Signs follow from what an engine
computer does: it meters fuel for the air it believes in, so need is true over believed air times commanded over
delivered fuel, and metered over speed-density air sees the air side alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import hypot, sqrt
from typing import ClassVar, Literal

import numpy as np

from livewatch.signature.causes.codes import LOADS, Load, Side
from livewatch.signature.causes.facts import Facts
from livewatch.signature.effect import Bend, Effect, bent, linear
from livewatch.signature.estimates import Estimate
from livewatch.signature.evidence.boost_figures import BoostFigures
from livewatch.signature.evidence.boost_response import Response
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column
from livewatch.signature.evidence.settled import PointMaker
from livewatch.signature.inference import Fit, Whitened

__all__ = [
    "Grounds", "Hypothesis", "Judged", "Symptom", "System", "Variant", "air_side", "linear", "logarithmic", "scale_of",
]  # fmt: skip

System = Literal["fuel at part load", "fuel under load", "boost", "fuel supply"]
"""What of a car the verdict is given for, one by one."""


FACTORS: set[str] = set()
"""Causes that change need by one factor, as they say of themselves."""


@dataclass(frozen=True, slots=True, eq=False)
class Variant:
    """One shape of a cause: `unknown` is its further unknown (g/s of air or fuel, bank, s), `weight` the logarithm of
    its share among the cause's shapes."""

    cause: str
    effect: Effect
    unknown: float = 0.0
    weight: float = 0.0


@dataclass(frozen=True, slots=True)
class Symptom:
    """What the pulls say of a cause of boost: `weight` the logarithm of the Bayes factor against matching parts, `size`
    and its `deviation` as shares of commanded boost."""

    weight: float
    size: float
    deviation: float


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One cause as judged.

    Attributes:
        cause, family: names.
        fit: size in the unit of its effect, and the weight against nothing wrong (natural logarithm).
        probability: that it is there, 0..1.
        unknown: mean of its further unknown (g/s of air or fuel, bank, s); `unknown_spread` its standard deviation.
        shapes: (further unknown, share) of each of its shapes; `variants` the shapes themselves.
        shift: what the fuel in the tank takes of need (logarithm), as far as it is not corrected for.
        others: sizes of the other causes of the explanation it is sized in, by their names.
        beside: what the other causes of the explanation do to the observations; None where there are none.
        between: by how much its size differs between the explanations that have it, one standard deviation; in the
            deviation of `fit` already.
    """

    cause: str
    family: str
    fit: Fit
    probability: float = 0.0
    unknown: float = 0.0
    unknown_spread: float = 0.0
    shapes: tuple[tuple[float, float], ...] = ()
    variants: tuple[Variant, ...] = ()
    shift: float = 0.0
    others: Mapping[str, float] = field(default_factory=dict)
    beside: Column | None = None
    between: float = 0.0

    def told(self, seen: Observations) -> Column:
        """The observations without what the fuel in the tank and the other causes do to them."""
        y = seen.y - self.shift * seen.on("need")
        return y if self.beside is None else y - self.beside


@dataclass(frozen=True, eq=False)
class Grounds:
    """All that estimates are made from."""

    seen: Observations
    maker: PointMaker
    responses: Sequence[Response]

    @cached_property
    def need(self) -> Whitened:
        """The observations of need alone."""
        at = self.seen.on("need") > 0.0
        return Whitened(self.seen.y[at], self.seen.covariance[np.ix_(at, at)])


class Hypothesis:
    """One cause. Derive, set what is named here, and give `variants` or `symptom`.

    Attributes:
        name, family, title: what: as in files, as people group them, and in words.
        brief: the title without the parts it names; empty where it names none.
        short: the same in 27 characters at the most, for a screen.
        log_prior: logarithm of how probable it is against "nothing is wrong" before any data: a judgement, common
            practice.
        settles: what would settle it, without driving.
        plain, remedy: what it is, as half a sentence, and what to do about it, in words without a trade word.
        repair: whether that is a repair rather than another calibration.
        factor: whether it changes need by one factor, the same at every load.
        systems: what of the car it spoils.
        danger: how soon it breaks an engine that is loaded, 1 the soonest: a judgement, common practice.
        explains: beginnings of the names of the alarms that it raises.
        carried: the sign of need, +1 or -1, that it takes with a shut throttle and that makes the mixture lean for a
            moment as the throttle opens (`evidence/opening.py`); 0 where neither does.
        everyday: whether it is none to be named but where a critical alarm stood that it raises.
        codes, codes_against: fault codes of its parts that speak for it, and against it (`codes.py` has the groups).
        mixture: which way it makes the mixture, so that codes of a lean or a rich system bear on it; empty where it
            makes none of its own. `loads`: where that shows.
    """

    name: ClassVar[str]
    family: ClassVar[str]
    title: ClassVar[str]
    brief: ClassVar[str] = ""
    short: ClassVar[str]
    log_prior: ClassVar[float]
    settles: ClassVar[str]
    plain: ClassVar[str]
    remedy: ClassVar[str]
    repair: ClassVar[bool] = False
    factor: ClassVar[bool] = False
    systems: ClassVar[tuple[System, ...]] = ("fuel at part load", "fuel under load")
    danger: ClassVar[int] = 4
    explains: ClassVar[tuple[str, ...]] = ("lean_under_load", "knock_retard")
    carried: ClassVar[int] = 0
    everyday: ClassVar[bool] = False
    codes: ClassVar[frozenset[str]] = frozenset()
    codes_against: ClassVar[frozenset[str]] = frozenset()
    mixture: ClassVar[Side | Literal["either", ""]] = ""
    loads: ClassVar[tuple[Load, ...]] = LOADS

    def __init_subclass__(cls) -> None:
        if cls.factor:
            FACTORS.add(cls.name)

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        """Its shapes on the fuel side, as far as these observations can speak about them."""
        return iter(())

    def symptom(self, figures: BoostFigures) -> Symptom | None:
        """What the pulls say of it; None where they say nothing."""
        return None

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        """How large it is; the main figure first."""
        return []

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        """What speaks for it, in sentences."""
        yield facts.pattern

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        """What speaks against it, in sentences."""
        return iter(())


def air_side(seen: Observations, maker: PointMaker) -> Column:
    """1 for need and -1 for metered over speed-density air: what acts on metered air shows in both. 0 without a
    meter."""
    need = seen.on("need")
    return need - seen.on("ratio") if maker.metered else 0.0 * need


def logarithmic(sign: Column, feature: Column, spread: float, low: float = -np.inf) -> Effect:
    """sign * log(1 + size * feature), kept away from a logarithm of nothing."""
    return bent(Bend(sign, feature), spread, low)


def scale_of(judged: Judged, grounds: Grounds, spread: float, own: float) -> Fit:
    """The size of a cause that is one factor of need: by need alone, which shows it, unless another such factor is
    beside it. What metered over speed-density air says of it hangs on an assumed volumetric efficiency; that tells
    causes apart, and would only draw the size away."""
    seen = grounds.seen
    at = seen.on("need") > 0.0
    if FACTORS & judged.others.keys() or not at.any():
        return measured(judged.fit, spread, own)
    fit = measured(grounds.need.of(judged.told(seen)[at]).fit(linear(np.ones(int(at.sum())), spread)), spread, own)
    return replace(fit, deviation=hypot(fit.deviation, judged.between))


def measured(fit: Fit, spread: float, own: float) -> Fit:
    """What the data alone say of a part's ratio. The fit was drawn towards 0 by what is known beforehand (`spread`),
    for weighing causes: undone here. And the covariance counts the part's `own` tolerance as an error, but a part that
    is off its drawing has that ratio."""
    told = 1.0 - min(0.5, (fit.deviation / spread) ** 2)
    return Fit(fit.size / told, sqrt(max(fit.deviation**2 / told - own**2, 0.25 * fit.deviation**2)), fit.weight)
