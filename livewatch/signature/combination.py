"""Which causes together explain the observations: sets of effects, each with its size, weighed against one another.

Whitened observations and the shapes of every cause come in; `Combination`s go out, the empty one among them, each with
the logarithm of how probable it is. The criterion is the evidence of Bayesian model comparison (Laplace's
approximation; MacKay, Information Theory, Inference, and Learning Algorithms, 2003, chapter 28): a cause has to gain
more in fit than it costs in freedom, with what is thought of it beforehand. The effect of a large cause is never known
exactly: each may bend over the air flow by a share of itself, so that what a first cause leaves over is not taken for a
second one. The search adds one cause at a time to the best sets so far; it never tries all of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, inf, log

import numpy as np

from livewatch.signature.causes.hypothesis import Variant
from livewatch.signature.evidence.readings import Column
from livewatch.signature.inference import STARTS, Whitened

__all__ = ["Combination", "Search", "log_sum"]

BEND = 0.08
"""Share, one standard deviation, by which the effect of a cause may be off and bend over the range of air flow: tables,
fuel films, temperatures that the effect leaves out; common practice, and simulated cars."""
MOST = 4
"""Causes in a set at the most."""
WIDTH, REACH = 4, 9.0
"""Sets that are built upon at each step, and how far (logarithm) they may be behind the best."""
WORTH = -1.5
"""Logarithm of what an addition has to promise to be tried in full."""
STEPS = 10
"""Of Gauss and Newton's method."""


@dataclass(frozen=True, slots=True, eq=False)
class Combination:
    """A set of causes that explains the observations.

    Attributes:
        variants: one shape for each cause.
        sizes, deviations: fitted, in the unit of each effect, with standard deviations.
        evidence: logarithm of how much more probable the observations are than with nothing wrong.
        score: the same with what was thought beforehand.
        own: evidence of these shapes alone, without what other shapes of the same causes add.
    """

    variants: tuple[Variant, ...] = ()
    sizes: tuple[float, ...] = ()
    deviations: tuple[float, ...] = ()
    evidence: float = 0.0
    score: float = 0.0
    own: float = 0.0

    @property
    def causes(self) -> frozenset[str]:
        """Their names."""
        return frozenset(variant.cause for variant in self.variants)


class Search:
    """Args:
    whitened: the observations.
    tried: every shape of every cause.
    flow: float64 (n,), where on the range of air flow an observation lies: mean 0, standard deviation 1.
    prior: logarithm of how probable each cause is beforehand.
    """

    def __init__(self, whitened: Whitened, tried: Sequence[Variant], flow: Column, prior: Mapping[str, float]) -> None:
        self._whitened = whitened
        self._tried = tried
        self._bends = (np.clip(flow / 1.5, -1.0, 1.0), np.clip(flow * flow - 1.0, -1.0, 1.0))
        self._prior = prior
        # What goes with its size needs no sizes to be tried.
        bent = [variant for variant in tried if not variant.effect.linear]
        alone = iter(whitened.fits([variant.effect for variant in bent]) if bent else [])
        grids = [np.ones(1) if variant.effect.linear else _grid(variant, next(alone).size) for variant in tried]
        self._owner = np.repeat(np.arange(len(tried)), [len(grid) for grid in grids])
        self._size = np.concatenate(grids) if grids else np.zeros(0)
        spread = np.array([variant.effect.spread for variant in tried])[self._owner]
        rows = [v.effect.mean(grid[:, None]) for v, grid in zip(tried, grids, strict=True)]
        self._rows = whitened(np.concatenate(rows)) if rows else np.zeros((0, len(whitened.y)))
        self._square = (self._rows * self._rows).sum(axis=1)
        self._precision = 1.0 / spread**2
        self._linear = np.array([variant.effect.linear for variant in tried])[self._owner]
        self._sided = np.array([variant.effect.low == 0.0 for variant in tried])[self._owner] * log(2.0)
        self._weight = np.array([variant.weight for variant in tried])[self._owner]

    def run(self, most: int = MOST) -> list[Combination]:
        """Sets of at most so many causes worth having, the most probable first."""
        found: dict[frozenset[str], Combination] = {frozenset(): Combination()}
        bases = [Combination()]
        for _ in range(most):
            new: list[Combination] = []
            for base in bases:
                new += self._extended(base, found)
            for one in new:
                known = found.get(one.causes)
                if known is None or one.score > known.score:
                    found[one.causes] = one
            new = sorted({one.causes: found[one.causes] for one in new}.values(), key=lambda one: -one.score)
            best = max(one.score for one in found.values())
            bases = [one for one in new[:WIDTH] if one.score > best - REACH]
            if not bases:
                break
        return sorted(found.values(), key=lambda one: (-one.score, sorted(one.causes)))

    def shares(self, base: Combination, cause: str) -> list[tuple[Variant, float, float]]:
        """Shapes of a cause beside `base`, each with its share and the size it would have."""
        gain, size = self._scan(base)
        of = [(k, variant) for k, variant in enumerate(self._tried) if variant.cause == cause]
        total = log_sum([float(gain[k]) for k, _ in of])
        return [(variant, exp(float(gain[k]) - total), float(size[k])) for k, variant in of]

    def fit(self, variants: Sequence[Variant], start: Sequence[float]) -> Combination | None:
        """The sizes that fit best together; None where one of them comes to nothing."""
        effects = [variant.effect for variant in variants]
        count = len(effects)
        precision = np.concatenate(
            (1.0 / np.array([effect.spread for effect in effects]) ** 2, np.full(2 * count, 1.0 / BEND**2))
        )
        low = np.array([effect.low for effect in effects])
        most = 2.0 * np.array([effect.spread for effect in effects])
        size = np.array(start, np.float64)
        for step in range(STEPS):
            means = [effect.mean(s) for effect, s in zip(effects, size.tolist(), strict=True)]
            slopes = [effect.slope(s) for effect, s in zip(effects, size.tolist(), strict=True)]
            rows = [*slopes, *(mean * bend for mean in means for bend in self._bends), np.sum(means, axis=0)]
            whitened = self._whitened(np.array(rows))
            rest = self._whitened.y - whitened[-1]
            columns = whitened[:-1]
            curvature = columns @ columns.T + np.diag(precision)
            gradient = columns @ rest
            gradient[:count] -= precision[:count] * size
            change = np.linalg.solve(curvature, gradient)
            new = np.clip(size + np.clip(change[:count], -most, most), low, inf)
            moved = float(np.max(np.abs(new - size) * np.sqrt(precision[:count])))
            if moved < 1e-4 or step == STEPS - 1:
                break
            size = new
        if (size <= np.where(low == 0.0, 1e-9, -inf)).any():
            return None
        bends = change[count:]
        left = rest - bends @ columns[count:]
        evidence = 0.5 * (self._whitened.square - float(left @ left))
        evidence -= 0.5 * float(precision[:count] @ (size * size)) + 0.5 * float(precision[count:] @ (bends * bends))
        evidence += 0.5 * float(np.log(precision).sum()) - 0.5 * float(np.linalg.slogdet(curvature)[1])
        evidence += log(2.0) * int((low == 0.0).sum())
        deviation = np.sqrt(np.diag(np.linalg.inv(curvature))[:count])
        evidence += sum(variant.weight for variant in variants)
        score = evidence + sum(self._prior[variant.cause] for variant in variants)
        return Combination(tuple(variants), tuple(size.tolist()), tuple(deviation.tolist()), evidence, score, evidence)

    def _extended(self, base: Combination, found: Mapping[frozenset[str], Combination]) -> list[Combination]:
        """`base` and one cause more, each that promises something."""
        gain, size = self._scan(base)
        shapes: dict[str, list[int]] = {}
        for k, variant in enumerate(self._tried):
            if variant.cause not in base.causes:
                shapes.setdefault(variant.cause, []).append(k)
        new = []
        already = base.evidence - base.own
        promises = {cause: log_sum([float(gain[k]) for k in places]) for cause, places in shapes.items()}
        most = max((promise + self._prior[cause] for cause, promise in promises.items()), default=0.0)
        least = max(WORTH if base.variants else -inf, max(most, 0.0) - REACH)
        for cause, places in shapes.items():
            promise = promises[cause]
            if promise + self._prior[cause] < least or base.causes | {cause} in found:
                continue
            # What is only about right is fitted in full for the two best shapes; the others add their share.
            best = sorted(places, key=lambda k: -float(gain[k]))[:2]
            starts = {k: ((*base.variants, self._tried[k]), (*base.sizes, float(size[k]))) for k in best}
            fits = [fitted for k in best if (fitted := self.fit(*starts[k])) is not None]
            if fits:
                others = already + promise - log_sum([float(gain[k]) for k in best])
                more = log_sum([one.evidence for one in fits]) + others
                one = max(fits, key=lambda one: one.evidence)
                new.append(replace(one, evidence=more, score=one.score + more - one.evidence))
        return new

    def _scan(self, base: Combination) -> tuple[Column, Column]:
        """About what each shape would gain beside `base` (logarithm, its share among the shapes counted), and its size:
        float64 (shapes,) each. What `base` fits is fitted anew beside it, as a straight line around its sizes."""
        y = self._whitened.y
        square, lines = self._square, self._rows
        if base.variants:
            pairs = list(zip(base.variants, base.sizes, strict=True))
            means = [variant.effect.mean(size) for variant, size in pairs]
            slopes = [variant.effect.slope(size) for variant, size in pairs]
            scale = [variant.effect.spread for variant in base.variants]
            bends = [BEND * mean * bend for mean in means for bend in self._bends]
            rows = [*(by * slope for by, slope in zip(scale, slopes, strict=True)), *bends]
            around = np.sum([s * slope - m for (_, s), slope, m in zip(pairs, slopes, means, strict=True)], axis=0)
            whitened = self._whitened(np.array([*rows, around]))
            y, free = y + whitened[-1], whitened[:-1]
            root = np.linalg.cholesky(np.eye(len(free)) + free @ free.T)
            free = np.linalg.solve(root, free)
            y = y - free.T @ (free @ y)
            across = self._rows @ free.T
            square = np.maximum(self._square - (across * across).sum(axis=1), 1e-12)
        along = lines @ y
        # A straight effect is worked out in full; of the others the best of the sizes tried.
        size = np.where(self._linear, along / (square + self._precision), self._size)
        told = np.where(self._linear, square, square / np.where(self._size == 0.0, 1.0, self._size) ** 2)
        gain = np.where(
            self._linear,
            0.5 * along * size,
            along - 0.5 * square - 0.5 * self._precision * self._size**2,
        )
        gain = gain - 0.5 * np.log1p(told / self._precision) + self._sided + self._weight
        count = len(self._tried)
        best = np.full(count, -inf)
        np.maximum.at(best, self._owner, gain)
        chosen = np.zeros(count)
        at = gain >= best[self._owner]
        chosen[self._owner[at]] = size[at]
        return best, chosen


def _grid(variant: Variant, alone: float) -> Column:
    """Sizes that are tried: a few over the range, and the one that fits best `alone`."""
    effect = variant.effect
    sizes = np.array(STARTS) * effect.spread
    return np.concatenate((sizes[sizes >= effect.low], [alone] if alone > 0.0 or effect.low < 0.0 else []))


def log_sum(values: Sequence[float]) -> float:
    """Logarithm of the sum of what these are logarithms of."""
    most = max(values)
    return most if most == -inf else most + log(sum(exp(value - most) for value in values))
