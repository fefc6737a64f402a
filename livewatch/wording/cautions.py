"""What is said before a run and after a diagnosis, on every edge that has one line for it."""

from __future__ import annotations

__all__ = ["CAUTION"]

CAUTION = (
    "The driver drives, a passenger reads. Full load only on a closed course or a dyno (car restrained, air moving, "
    "fire extinguisher at hand). livewatch protects no engine; local law and licensed practice come first."
)
