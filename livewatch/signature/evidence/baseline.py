"""A recorded drive on matching parts, to compare with: it replaces what would otherwise be assumed.

Made by a `Signature` that has seen such a drive, saved and loaded as JSON. Where the same operating regions were
visited, need and metered over speed-density air are compared with it instead of with 1 and an assumed volumetric
efficiency; elsewhere with what it showed in the nearest region, which is known the less the further that is.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.data.outside import read_file, read_json
from livewatch.errors import SourceError
from livewatch.signature.evidence.evidence import FLOW_EDGES, SPEED_EDGES, Regions
from livewatch.signature.evidence.readings import Column

__all__ = ["BASELINE_FORMAT", "Baseline", "Expected"]

BASELINE_FORMAT = 1
SHAPE = (len(SPEED_EDGES) - 1, len(FLOW_EDGES) - 1)


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """What a baseline says of n regions: the logarithm, in which of its own regions (`place`), by how many visits, and
    how many regions away that is (`apart`, 0 where it was visited itself)."""

    value: Column
    place: NDArray[np.int64]
    visits: Column
    apart: Column


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """What a drive on matching parts showed.

    Attributes:
        profile: name of the profile it was watched with.
        mean: for need_1, need_2 and ratio the mean logarithm by region, float64 (speeds, flows), NaN where not visited.
        count: for the same by how many visits; 1 where that is not known.
        overshoot: median overshoot of its pulls as a share of commanded boost, NaN without pulls.
        duty: mean solenoid duty of its pulls in per cent, NaN without.
        pulls: how many pulls it had.
        visits: how many settled visits.
        ethanol: % by volume in its fuel, NaN without a sensor.
        humidity: what the water vapour of its weather usually takes of need, as a logarithm; NaN where not known.
        counted: what its computer counted with, as `counted_of` gives it; NaN where not known.
    """

    profile: str
    mean: Mapping[str, Column]
    overshoot: float
    duty: float
    pulls: int
    visits: int
    ethanol: float = float("nan")
    humidity: float = float("nan")
    counted: float = float("nan")
    count: Mapping[str, Column] = field(default_factory=dict)

    def at(self, regions: Regions) -> dict[str, Expected]:
        """What to expect in each of the regions, for each quantity the baseline has."""
        return {name: self._nearest(name, regions) for name, table in self.mean.items() if not np.isnan(table).all()}

    def _nearest(self, name: str, regions: Regions) -> Expected:
        speed, flow = np.nonzero(~np.isnan(self.mean[name]))
        away = np.hypot(speed - regions.speed[:, None], flow - regions.flow[:, None])
        place = away.argmin(axis=1)
        visits = self.count[name][speed, flow] if name in self.count else np.ones(len(speed))
        return Expected(self.mean[name][speed, flow][place], place, visits[place], away.min(axis=1))

    def save(self, path: Path) -> None:
        """Write it as JSON."""
        data = {
            "baseline": BASELINE_FORMAT,
            "profile": self.profile,
            "mean": {
                name: [[None if np.isnan(v) else round(float(v), 6) for v in row] for row in table]
                for name, table in self.mean.items()
            },
            "count": {name: table.astype(int).tolist() for name, table in self.count.items()},
            "overshoot": None if np.isnan(self.overshoot) else self.overshoot,
            "duty": None if np.isnan(self.duty) else self.duty,
            "pulls": self.pulls,
            "visits": self.visits,
            "ethanol": None if np.isnan(self.ethanol) else self.ethanol,
            "humidity": None if np.isnan(self.humidity) else self.humidity,
            "counted": None if np.isnan(self.counted) else self.counted,
        }
        path.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")

    @classmethod
    def load(cls, path: Path) -> Baseline:
        """Read what `save` wrote.

        Raises:
            SourceError: it cannot be read, or is no baseline.
        """
        try:
            data: dict[str, Any] = read_json(read_file(path))
            if data["baseline"] != BASELINE_FORMAT:
                raise SourceError(f"{path}: baseline format {data['baseline']}, expected {BASELINE_FORMAT}")
            mean = {
                name: np.array([[np.nan if v is None else float(v) for v in row] for row in table])
                for name, table in data["mean"].items()
            }
            count = {name: np.fmax(np.array(table, np.float64), 1.0) for name, table in data.get("count", {}).items()}
            if any(table.shape != SHAPE for table in (*mean.values(), *count.values())):
                raise SourceError(f"{path}: its operating regions are not those of this livewatch; make it again")
            overshoot, duty, ethanol, humidity, counted = (
                float("nan") if data.get(key) is None else float(data[key])
                for key in ("overshoot", "duty", "ethanol", "humidity", "counted")
            )
            pulls, visits = int(data["pulls"]), int(data["visits"])
            return cls(str(data["profile"]), mean, overshoot, duty, pulls, visits, ethanol, humidity, counted, count)
        except OSError as error:
            raise SourceError(f"{path}: {error.strerror or error}") from None
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise SourceError(f"{path} is no baseline as livewatch saves it: {error}") from None
