"""What several causes do together: sets of effects, each at a size of its own, many sets at a time.

Effects come in; columns go out, whitened, that say what a change of each size adds, and of how its effect bends over
the air flow. What goes with its size is whitened once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from livewatch.signature.effect import Effect, Effects
from livewatch.signature.evidence.readings import Column
from livewatch.signature.inference import Whitened

__all__ = ["Together", "lines_of"]


def lines_of(effects: Sequence[Effect], whitened: Whitened, bends: Sequence[Column]) -> dict[Effect, Column]:
    """Of effects that go with their size: whitened, for size 1, and the same bent each way, float64 (3, n)."""
    rows = np.array([effect.slope(1.0) for effect in effects]).reshape(-1, 1, len(whitened.y))
    rows = np.concatenate((rows, *(rows * bend for bend in bends)), axis=1)
    return dict(zip(effects, whitened(rows.reshape(-1, rows.shape[-1])).reshape(rows.shape), strict=True))


class Together:
    """Args:
    sets: effects, as many in each set.
    whitened: the observations.
    bends: how an effect may bend, float64 (n,) each: twice.
    lines: as `lines_of` gives them.
    """

    def __init__(
        self,
        sets: Sequence[Sequence[Effect]],
        whitened: Whitened,
        bends: Sequence[Column],
        lines: Mapping[Effect, Column],
    ) -> None:
        self._whitened, self._bends = whitened, bends
        effects = [effect for one in sets for effect in one]
        bent, straight = ([k for k, e in enumerate(effects) if (e in lines) is is_so] for is_so in (False, True))
        self._bent, self._straight = (np.divmod(np.array(at, np.int64), len(sets[0])) for at in (bent, straight))
        self._effects = Effects([effects[k] for k in bent]) if bent else None
        self._lines = np.array([lines[effects[k]] for k in straight])

    def at(self, size: Column) -> tuple[Column, Column]:
        """At these sizes, float64 (sets, causes): what a change of each size adds, and of each bend, (sets, 3 causes,
        n); and what is left of the observations, (sets, n)."""
        count, n = size.shape[1], len(self._whitened.y)
        rows = np.empty((len(size), 4, count, n))
        of, place = self._straight
        if len(of):
            sizes = size[of, place, None]
            rows[of, 0, place], rows[of, 3, place] = self._lines[:, 0], sizes * self._lines[:, 0]
            rows[of, 1, place], rows[of, 2, place] = sizes * self._lines[:, 1], sizes * self._lines[:, 2]
        if self._effects is not None:
            of, place = self._bent
            plain = np.empty((len(of), 4, n))
            plain[:, 0], plain[:, 3] = self._effects.slopes(size[of, place]), self._effects.means(size[of, place])
            for number, bend in enumerate(self._bends, 1):
                np.multiply(plain[:, 3], bend, out=plain[:, number])
            rows[of, :, place] = self._whitened(plain.reshape(-1, n)).reshape(plain.shape)
        columns = rows.reshape(len(size), -1, n)
        return columns[:, : 3 * count], self._whitened.y - rows[:, 3].sum(axis=1)
