"""What was odd about the frames of a batch: by plain-worded kind, the rows it was met in."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["OddRows"]


class OddRows:
    """Collects while a batch is decoded."""

    def __init__(self) -> None:
        self._found: dict[str, list[NDArray[np.int64]]] = {}

    def add(self, kind: str, rows: NDArray[np.int64]) -> None:
        """It was met in each of these rows."""
        if len(rows):
            self._found.setdefault(kind, []).append(rows)

    def by_kind(self) -> dict[str, NDArray[np.int64]]:
        """The rows of each kind, ascending; a row may be there more than once."""
        return {
            kind: parts[0] if len(parts) == 1 else np.sort(np.concatenate(parts)) for kind, parts in self._found.items()
        }
