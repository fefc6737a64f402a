"""A recorded drive on matching parts, to compare with: it replaces what would otherwise be assumed.

Made by a `Signature` that has seen such a drive, saved and loaded as JSON. Where the same operating regions were
visited, need and metered over speed-density air are compared with it instead of with 1 and an assumed volumetric
efficiency; elsewhere with its mean.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from livewatch.data.outside import read_file, read_json
from livewatch.errors import SourceError
from livewatch.signature.evidence.evidence import FLOW_EDGES, SPEED_EDGES, Regions
from livewatch.signature.evidence.readings import Column

__all__ = ["BASELINE_FORMAT", "Baseline"]

BASELINE_FORMAT = 1
SHAPE = (len(SPEED_EDGES) - 1, len(FLOW_EDGES) - 1)


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """What a drive on matching parts showed.

    Attributes:
        profile: name of the profile it was watched with.
        mean: for need_1, need_2 and ratio the mean logarithm by region, float64 (speeds, flows), NaN where not visited.
        overshoot: median overshoot of its pulls as a share of commanded boost, NaN without pulls.
        duty: mean solenoid duty of its pulls in per cent, NaN without.
        pulls: how many pulls it had.
        visits: how many settled visits.
        ethanol: % by volume in its fuel, NaN without a sensor.
        humidity: what the water vapour of its weather usually takes of need, as a logarithm; NaN where not known.
    """

    profile: str
    mean: Mapping[str, Column]
    overshoot: float
    duty: float
    pulls: int
    visits: int
    ethanol: float = float("nan")
    humidity: float = float("nan")

    def at(self, regions: Regions) -> dict[str, Column]:
        """What to expect in each of the regions, for each quantity the baseline has."""
        expected: dict[str, Column] = {}
        for name, table in self.mean.items():
            known = ~np.isnan(table)
            if not known.any():
                continue
            values = table[regions.speed, regions.flow]
            expected[name] = np.where(np.isnan(values), float(table[known].mean()), values)
        return expected

    def save(self, path: Path) -> None:
        """Write it as JSON."""
        data = {
            "baseline": BASELINE_FORMAT,
            "profile": self.profile,
            "mean": {
                name: [[None if np.isnan(v) else round(float(v), 6) for v in row] for row in table]
                for name, table in self.mean.items()
            },
            "overshoot": None if np.isnan(self.overshoot) else self.overshoot,
            "duty": None if np.isnan(self.duty) else self.duty,
            "pulls": self.pulls,
            "visits": self.visits,
            "ethanol": None if np.isnan(self.ethanol) else self.ethanol,
            "humidity": None if np.isnan(self.humidity) else self.humidity,
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
            if any(table.shape != SHAPE for table in mean.values()):
                raise SourceError(f"{path}: its operating regions are not those of this livewatch; make it again")
            overshoot, duty, ethanol, humidity = (
                float("nan") if data.get(key) is None else float(data[key])
                for key in ("overshoot", "duty", "ethanol", "humidity")
            )
            pulls, visits = int(data["pulls"]), int(data["visits"])
            return cls(str(data["profile"]), mean, overshoot, duty, pulls, visits, ethanol, humidity)
        except OSError as error:
            raise SourceError(f"{path}: {error.strerror or error}") from None
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise SourceError(f"{path} is no baseline as livewatch saves it: {error}") from None
