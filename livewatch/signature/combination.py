"""Which causes together explain the observations: sets of effects, each with its size, weighed against one another.

Whitened observations and the shapes of every cause come in; `Combination`s go out, the empty one among them, each with
the logarithm of how probable it is. The criterion is the evidence of Bayesian model comparison (Laplace's
approximation; MacKay, Information Theory, Inference, and Learning Algorithms, 2003, chapter 28): a cause has to gain
more in fit than it costs in freedom, with what is thought of it beforehand. The effect of a large cause is never known
exactly: each may bend over the air flow by a share of itself, so that what a first cause leaves over is not taken for a
second one. The search adds one cause at a time to the best sets so far; it never tries all of them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import exp, inf, log
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from livewatch.signature.causes.hypothesis import Variant
from livewatch.signature.evidence.readings import Column
from livewatch.signature.inference import Whitened, squares
from livewatch.signature.together import Together, lines_of

__all__ = ["TOGETHER", "Combination", "Search", "log_sum"]

Kind = TypeVar("Kind")

BEND = 0.08
"""Share, one standard deviation, by which the effect of a cause may be off and bend over the range of air flow: tables,
fuel films, temperatures that the effect leaves out; common practice, and simulated cars."""
MOST = 4
"""Causes in a set at the most."""
WIDTH, REACH = 4, 9.0
"""Sets that are built upon at each step, and how far (logarithm) they may be behind the best."""
WORTH = -1.5
"""Logarithm of what an addition has to promise to be tried in full."""
TOGETHER = 0.5
"""How much more probable (logarithm) a cause is beforehand where another one is there: parts are seldom changed one by
one; a judgement."""
BETTER = 1.0
"""Logarithm of what another shape of a cause has to promise to be tried in its place; no source."""
STEPS = 10
"""Of Gauss and Newton's method."""
AT_ONCE = 1 << 17
"""Numbers that a step of it works on at a time, about: a megabyte."""


@dataclass(frozen=True, slots=True, eq=False)
class Combination:
    """A set of causes that explains the observations.

    Attributes:
        variants: one shape for each cause.
        sizes, deviations: fitted, in the unit of each effect, with standard deviations.
        evidence: logarithm of how much more probable the observations are than with nothing wrong.
        score: the same with what was thought beforehand.
        own: evidence of these shapes alone, without what other shapes of the same causes add.
        causes: their names.
    """

    variants: tuple[Variant, ...] = ()
    sizes: tuple[float, ...] = ()
    deviations: tuple[float, ...] = ()
    evidence: float = 0.0
    score: float = 0.0
    own: float = 0.0
    causes: frozenset[str] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "causes", frozenset(variant.cause for variant in self.variants))

    def size_of(self, cause: str) -> float:
        """The size of one of the causes."""
        return next(s for variant, s in zip(self.variants, self.sizes, strict=True) if variant.cause == cause)


class Search:
    """Args:
    whitened: the observations.
    tried: every shape of every cause.
    flow: float64 (n,), where on the range of air flow an observation lies: mean 0, standard deviation 1.
    prior: logarithm of how probable each cause is beforehand.
    beside: how probable it is that something else is wrong, 0..1.
    """

    def __init__(
        self,
        whitened: Whitened,
        tried: Sequence[Variant],
        flow: Column,
        prior: Mapping[str, float],
        beside: float = 0.0,
    ) -> None:
        self.whitened = whitened
        self.beside = beside
        self._tried = tried
        self._bends = (np.clip(flow / 1.5, -1.0, 1.0), np.clip(flow * flow - 1.0, -1.0, 1.0))
        self._prior = prior
        self._alone: list[Combination] | None = None
        self._places: dict[str, list[int]] = {}
        for k, variant in enumerate(tried):
            self._places.setdefault(variant.cause, []).append(k)
        # What goes with its size needs no sizes to be tried; of the rest a few, and the one that fits best alone.
        bent, straight = ([k for k, v in enumerate(tried) if v.effect.linear is is_so] for is_so in (False, True))
        self._lines = lines_of([tried[k].effect for k in straight], whitened, self._bends)
        parts = [self._of_straight(straight)]
        if bent:
            parts = [*self._of_bent(bent), *parts]
        owner, self._size, self._rows, self._square = (np.concatenate(column) for column in zip(*parts, strict=True))
        self._owner = owner.astype(np.int64)
        self._precision = 1.0 / np.array([variant.effect.spread for variant in tried])[self._owner] ** 2
        self._linear = np.array([variant.effect.linear for variant in tried])[self._owner]
        self._sided = np.array([variant.effect.low == 0.0 for variant in tried])[self._owner] * log(2.0)
        self._weight = np.array([variant.weight for variant in tried])[self._owner]

    def _of_straight(self, places: list[int]) -> tuple[NDArray[np.int64], Column, Column, Column]:
        """Of effects that go with their size: which it is of, size 1, whitened means, their squares."""
        rows = np.array([self._lines[self._tried[k].effect][0] for k in places]).reshape(-1, len(self.whitened.y))
        return np.array(places, np.int64), np.ones(len(places)), rows, squares(rows)

    def _of_bent(self, places: list[int]) -> Iterator[tuple[NDArray[np.int64], Column, Column, Column]]:
        """Sizes to try of effects that do not: a few, and the one that fits best alone."""
        effects, at = [self._tried[k].effect for k in places], np.array(places, np.int64)
        tried = self.whitened.tried(effects)
        yield at[tried.owner], tried.size, tried.rows, tried.square
        size, rows = self.whitened.alone(effects)
        told = np.flatnonzero((size > 0.0) | np.array([effect.low < 0.0 for effect in effects]))
        yield at[told], size[told], rows[told], squares(rows[told])

    def run(self, most: int = MOST) -> list[Combination]:
        """Sets of at most so many causes worth having, the most probable first."""
        found: dict[frozenset[str], Combination] = {frozenset(): Combination()}
        bases = [Combination()]
        for _ in range(most):
            new = self._extended(bases, found) if bases[0].variants else self._singles()
            for one in new:
                known = found.get(one.causes)
                if known is None or one.score > known.score:
                    found[one.causes] = one
            bases = self._best({one.causes for one in new}, found)
            better = self._exchanged(bases)
            if better:
                found |= {one.causes: one for one in better}
                bases = self._best({one.causes for one in new}, found)
            if not bases:
                break
        self._leave_out(found)
        return sorted(found.values(), key=lambda one: (-one.score, sorted(one.causes)))

    def _leave_out(self, found: dict[frozenset[str], Combination]) -> None:
        """Try the best set without each of its causes, as long as that finds a better one: what led to a set need not
        be needed in it."""
        tried: Combination | None = None
        while tried is not (best := max(found.values(), key=lambda one: one.score)):
            tried = best
            starts = [
                (_but(best.variants, place), _but(best.sizes, place))
                for place, variant in enumerate(best.variants)
                if len(best.variants) > 1 and best.causes - {variant.cause} not in found
            ]
            found |= {one.causes: one for one in self.fits(starts) if one is not None}

    def _best(self, sets: Collection[frozenset[str]], found: Mapping[frozenset[str], Combination]) -> list[Combination]:
        """Those of the sets that are built upon."""
        best = max(one.score for one in found.values())
        new = sorted((found[causes] for causes in sets), key=lambda one: (-one.score, sorted(one.causes)))
        return [one for one in new[:WIDTH] if one.score > best - REACH]

    def _exchanged(self, bases: Sequence[Combination]) -> list[Combination]:
        """Those of the `bases` that another shape of one of their causes makes better: what a cause seemed to be by
        itself it need not be beside others."""
        tries = [
            (base, place)
            for base in bases
            for place, variant in enumerate(base.variants)
            if len(base.variants) > 1 and len(self._places[variant.cause]) > 1
        ]
        if not tries:
            return []
        rest = [Combination(_but(base.variants, place), _but(base.sizes, place)) for base, place in tries]
        of, starts = [], []
        for (base, place), gain, size in zip(tries, *self._scan(rest), strict=True):
            shapes = self._places[base.variants[place].cause]
            now = next(k for k in shapes if self._tried[k] is base.variants[place])
            k = max(shapes, key=lambda k: gain[k])
            if gain[k] > gain[now] + BETTER:
                variants, sizes = list(base.variants), list(base.sizes)
                variants[place], sizes[place] = self._tried[k], float(size[k])
                of.append(base)
                starts.append((variants, sizes))
        better: dict[frozenset[str], Combination] = {}
        for base, one in zip(of, self.fits(starts), strict=True):
            if one is None:
                continue
            more = base.evidence - base.own
            one = replace(one, evidence=one.evidence + more, score=one.score + more)
            if one.score > max(base.score, better.get(one.causes, base).score):
                better[one.causes] = one
        return list(better.values())

    def _singles(self) -> list[Combination]:
        """Each cause by itself, worked out once."""
        if self._alone is None:
            self._alone = self._extended([Combination()], {})
        return self._alone

    def shapes(self, cause: str) -> list[Variant]:
        """Every shape of a cause."""
        return [self._tried[k] for k in self._places[cause]]

    def shares(self, base: Combination, cause: str) -> list[tuple[Variant, float, float]]:
        """Shapes of a cause beside `base`, each with its share and the size it would have."""
        (gain,), (size,) = self._scan([base])
        of = self._places[cause]
        total = log_sum([float(gain[k]) for k in of])
        return [(self._tried[k], exp(float(gain[k]) - total), float(size[k])) for k in of]

    def fit(self, variants: Sequence[Variant], start: Sequence[float]) -> Combination | None:
        """The sizes that fit best together; None where one of them comes to nothing."""
        return self.fits([(variants, start)])[0]

    def fits(self, starts: Sequence[tuple[Sequence[Variant], Sequence[float]]]) -> list[Combination | None]:
        """The same for several sets with as many causes each, side by side as far as they fit into a fast memory."""
        if not starts:
            return []
        piece = max(1, AT_ONCE // (4 * len(starts[0][0]) * len(self.whitened.y)))
        pieces = (self._fitted(starts[first : first + piece]) for first in range(0, len(starts), piece))
        return [one for fitted in pieces for one in fitted]

    def _fitted(self, starts: Sequence[tuple[Sequence[Variant], Sequence[float]]]) -> list[Combination | None]:
        sets = [variants for variants, _ in starts]
        count = len(sets[0])
        spread, low = (np.array([[getattr(v.effect, name) for v in one] for one in sets]) for name in ("spread", "low"))
        precision = np.concatenate((1.0 / spread**2, np.full((len(sets), 2 * count), 1.0 / BEND**2)), axis=1)
        size = np.array([sizes for _, sizes in starts], np.float64)
        curvatures, bends = np.zeros((len(sets), 3 * count, 3 * count)), np.zeros((len(sets), 2 * count))
        gain, there = np.zeros(len(sets)), np.zeros(len(sets), np.bool_)
        held, least = size.copy(), np.full(len(sets), inf)
        at = np.arange(len(sets))
        together = self._together(sets)
        for step in range(STEPS + 1):
            if step == STEPS:
                size[at] = held[at]
            prior, now = precision[at], size[at]
            columns, rest = together.at(now)
            curvature = columns @ columns.transpose(0, 2, 1)
            curvature[:, np.arange(3 * count), np.arange(3 * count)] += prior
            gradient = (columns @ rest[..., None])[..., 0]
            gradient[:, :count] -= prior[:, :count] * now
            change = np.linalg.solve(curvature, gradient[..., None])[..., 0]
            most = 2.0 * spread[at]
            new = np.clip(now + np.clip(change[:, :count], -most, most), low[at], inf)
            moved = np.max(np.abs(new - now) * np.sqrt(prior[:, :count]), axis=1)
            # A step that made it worse is halved: what bends much is not straight for so far.
            bend = np.linalg.solve(curvature[:, count:, count:], gradient[:, count:, None])[..., 0]
            left = (rest * rest).sum(axis=1) + (prior[:, :count] * now * now).sum(axis=1)
            left -= (gradient[:, count:] * bend).sum(axis=1)
            worse = (left > least[at])[:, None]
            new = np.where(worse, (now + held[at]) / 2.0, new)
            held[at], least[at] = np.where(worse, held[at], now), np.minimum(least[at], left)
            settled = ~worse & (moved < 1e-4)[:, None]
            ends = ~there[at] & (settled[:, 0] | (step == STEPS))
            if ends.any():
                bent = np.where(settled, change[:, count:], bend)[ends, None]
                away = rest[ends] - (bent @ columns[ends, count:])[:, 0]
                done = at[ends]
                curvatures[done], bends[done] = curvature[ends], bent[:, 0]
                gain[done] = self.whitened.square - (away * away).sum(axis=1)
                there[done] = True
            going = ~there[at]
            size[at[going]] = new[going]
            if not going.any():
                break
            if not going.all():
                at = at[going]
                together = self._together([sets[k] for k in at.tolist()])
        return self._weighed(sets, size, np.concatenate((size, bends), axis=1), gain, precision, curvatures)

    def _together(self, sets: Sequence[Sequence[Variant]]) -> Together:
        effects = [[variant.effect for variant in one] for one in sets]
        return Together(effects, self.whitened, self._bends, self._lines)

    def _weighed(
        self,
        sets: Sequence[Sequence[Variant]],
        size: Column,
        free: Column,
        gain: Column,
        precision: Column,
        curvature: Column,
    ) -> list[Combination | None]:
        """Fitted sets with their evidence. `free`: sizes and bends; `gain`: by how much they lessen the square of the
        observations."""
        evidence = 0.5 * (gain - (precision * free * free).sum(axis=1) + np.log(precision).sum(axis=1))
        evidence -= 0.5 * np.linalg.slogdet(curvature)[1]
        deviation = np.sqrt(np.diagonal(np.linalg.inv(curvature), axis1=1, axis2=2)[:, : size.shape[1]])
        found: list[Combination | None] = []
        for variants, sizes, spread, one in zip(
            sets, size.tolist(), deviation.tolist(), evidence.tolist(), strict=True
        ):
            sided = [variant.effect.low == 0.0 for variant in variants]
            if any(at and value <= 1e-9 for at, value in zip(sided, sizes, strict=True)):
                found.append(None)
                continue
            whole = one + log(2.0) * sum(sided) + sum(variant.weight for variant in variants)
            score = whole + sum(self._prior[variant.cause] for variant in variants)
            score += TOGETHER * (len(variants) - 1.0 + self.beside)
            found.append(Combination(tuple(variants), tuple(sizes), tuple(spread), whole, score, whole))
        return found

    def _extended(self, bases: Sequence[Combination], found: Mapping[frozenset[str], Combination]) -> list[Combination]:
        """Each of the `bases`, of as many causes, and one cause more, each that promises something."""
        scans = zip(bases, *self._scan(bases), strict=True)
        plans = [plan for base, gain, size in scans for plan in self._plans(base, gain.tolist(), size.tolist(), found)]
        starts = [
            ((*base.variants, self._tried[k]), (*base.sizes, size)) for base, _, tried in plans for k, size in tried
        ]
        fitted = iter(self.fits(starts))
        new = []
        for _, others, tried in plans:
            fits = [one for _ in tried if (one := next(fitted)) is not None]
            if fits:
                more = log_sum([one.evidence for one in fits]) + others
                one = max(fits, key=lambda one: one.evidence)
                new.append(replace(one, evidence=more, score=one.score + more - one.evidence))
        return new

    def _plans(
        self, base: Combination, gain: list[float], size: list[float], found: Mapping[frozenset[str], Combination]
    ) -> Iterator[tuple[Combination, float, list[tuple[int, float]]]]:
        """For each cause that promises something beside `base`: what shapes that are not fitted in full add to the
        evidence, and those that are, with the size to begin with."""
        shapes = {cause: places for cause, places in self._places.items() if cause not in base.causes}
        already = base.evidence - base.own
        promises = {cause: log_sum([gain[k] for k in places]) for cause, places in shapes.items()}
        most = max((promise + self._prior[cause] for cause, promise in promises.items()), default=0.0)
        least = max(WORTH if base.variants else -inf, max(most, 0.0) - REACH)
        for cause, places in shapes.items():
            if promises[cause] + self._prior[cause] < least or base.causes | {cause} in found:
                continue
            # What is only about right is fitted in full for the two best shapes; the others add their share.
            best = sorted(places, key=lambda k: -gain[k])[:2]
            others = already + promises[cause] - log_sum([gain[k] for k in best])
            yield base, others, [(k, size[k]) for k in best]

    def _scan(self, bases: Sequence[Combination]) -> tuple[Column, Column]:
        """About what each shape would gain beside each of the `bases`, which have as many causes (logarithm, its share
        among the shapes counted), and its size: float64 (bases, shapes) each. What a base fits is fitted anew beside
        it, as a straight line around its sizes."""
        y, square = self.whitened.y[None], self._square[None]
        if bases[0].variants:
            size = np.array([base.sizes for base in bases])
            columns, rest = self._together([base.variants for base in bases]).at(size)
            scale = np.full((len(bases), columns.shape[1], 1), BEND)
            scale[:, : size.shape[1], 0] = [[variant.effect.spread for variant in base.variants] for base in bases]
            y, free = rest + (size[:, None] @ columns[:, : size.shape[1]])[:, 0], scale * columns
            root = np.linalg.cholesky(np.eye(free.shape[1]) + free @ free.transpose(0, 2, 1))
            free = np.linalg.solve(root, free)
            y = y - ((free @ y[..., None]).transpose(0, 2, 1) @ free)[:, 0]
            across = self._rows @ free.transpose(0, 2, 1)
            square = np.maximum(square - (across * across).sum(axis=2), 1e-12)
        along = y @ self._rows.T
        # A straight effect is worked out in full; of the others the best of the sizes tried.
        size = np.where(self._linear, along / (square + self._precision), self._size)
        told = np.where(self._linear, square, square / np.where(self._size == 0.0, 1.0, self._size) ** 2)
        gain = np.where(
            self._linear,
            0.5 * along * size,
            along - 0.5 * square - 0.5 * self._precision * self._size**2,
        )
        gain = gain - 0.5 * np.log1p(told / self._precision) + self._sided + self._weight
        best, chosen = np.full((len(bases), len(self._tried)), -inf), np.zeros((len(bases), len(self._tried)))
        of = np.arange(len(bases))[:, None]
        np.maximum.at(best, (of, self._owner[None]), gain)
        base, at = np.nonzero(gain >= best[:, self._owner])
        chosen[base, self._owner[at]] = size[base, at]
        return best, chosen


def _but(values: tuple[Kind, ...], place: int) -> tuple[Kind, ...]:
    """All but one of them."""
    return values[:place] + values[place + 1 :]


def log_sum(values: Sequence[float]) -> float:
    """Logarithm of the sum of what these are logarithms of."""
    most = max(values)
    return most if most == -inf else most + log(sum(exp(value - most) for value in values))
