"""The causes in what `livewatch diagnose --json` printed for a drive, read back from a file of another day.

The file's object comes in, `Comparison`s go out. What is not in it, or no number, is taken for not measured; nothing
is raised.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import isfinite
from typing import Any

from livewatch.build_sheet.forecast import Forecast
from livewatch.build_sheet.points import CONDITIONS
from livewatch.diagnosis.comparison import Comparison, Measured, MeasuredCause, compare, driven_at

__all__ = ["compare_with_drive"]


def compare_with_drive(forecast: Forecast, said: Mapping[str, Any]) -> list[Comparison]:
    """What the file's object says beside what a build sheet foretold."""
    measured = list(_read(_list_in(said, "causes")))
    return compare(forecast, Measured(measured, said.get("verdict") not in (None, "unproven"), _driven(said)))


def _driven(said: Mapping[str, Any]) -> frozenset[str]:
    """The working points that were driven; all, where the file does not say."""
    coverage = said.get("coverage")
    if not isinstance(coverage, Mapping):
        return frozenset(CONDITIONS)
    groups = [one for one in _list_in(coverage, "groups") if isinstance(one, Mapping)]
    return driven_at({str(one.get("load")): one.get("enough") is True for one in groups})


def _list_in(said: Mapping[str, Any], key: str) -> Sequence[Any]:
    listed = said.get(key)
    return listed if isinstance(listed, Sequence) and not isinstance(listed, str) else ()


def _read(listed: Sequence[Any]) -> Iterator[MeasuredCause]:
    for entry in listed:
        if not isinstance(entry, Mapping) or not isinstance(entry.get("family"), str):
            continue
        family, cause = entry["family"], entry.get("cause")
        name = cause.strip().casefold().replace(" ", "_") if isinstance(cause, str) else ""
        unit = entry.get("unit")
        yield MeasuredCause(
            family=family,
            cause=name,
            title=str(entry.get("title") or name.replace("_", " ") or family),
            quantity=str(entry.get("quantity") or ""),
            value=_number(entry.get("estimate")),
            unit=unit if isinstance(unit, str) else None,
            interval=_interval(entry.get("interval_95", entry.get("interval"))),
            probability=_number(entry.get("probability")),
            established=established if isinstance(established := entry.get("established"), bool) else None,
        )


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if isfinite(number) else None


def _interval(value: Any) -> tuple[float, float] | None:
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
        return None
    low, high = (_number(end) for end in value)
    return None if low is None or high is None else (low, high)
