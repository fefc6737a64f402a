"""What has been driven enough, and what to drive next: the safest first."""

from __future__ import annotations

from typing import Any

import pytest

from livewatch.signature.evidence.coverage import GROUPS, cover
from livewatch.signature.evidence.evidence import Region


def regions_of(*loads: str, seconds: float = 30.0) -> list[Region]:
    """A settled region in each of the loads, for an engine of 2 L."""
    found = []
    for name, low, _, _ in GROUPS:
        if name in loads:
            flow = max(2.0 * low, 1.0)
            speed = (400.0, 1150.0) if name == "idle" else (2300.0, 3000.0)
            found.append(Region(speed, (flow, flow + 2.0), seconds, 4, (1.05, float("nan"))))
    return found


@pytest.mark.parametrize(
    ("driven", "asked"),
    [
        ((), "idle for a minute"),
        (("idle",), "level road"),
        (("idle", "light load"), "up a hill"),
        (("idle", "light load", "middle load"), "full-pedal pull"),
        (("idle", "light load", "middle load", "high load"), "Nothing more"),
        (("high load",), "idle for a minute"),
    ],
)
def test_the_next_thing_to_drive_is_the_safest_that_is_missing(driven: tuple[str, ...], asked: str) -> None:
    assert asked in cover(regions_of(*driven), 2.0).next_drive


def test_full_load_is_asked_for_on_a_closed_course_or_a_dyno_only() -> None:
    wanted = cover(regions_of("idle", "light load", "middle load"), 2.0).next_drive
    assert "closed course or a dyno" in wanted
    more = cover(regions_of("idle", "light load", "middle load", "high load"), 2.0, (), True).next_drive
    assert "closed course or a dyno" in more


def test_full_load_is_never_asked_for_when_something_is_wrong_already() -> None:
    for driven in (("idle", "light load", "middle load"), ("idle", "light load", "middle load", "high load")):
        wanted = cover(regions_of(*driven), 2.0, ("high load",), True).next_drive
        assert "pull" not in wanted
        assert "nothing more at full load" in wanted


def test_a_car_with_something_wrong_is_sent_up_no_hill() -> None:
    asked = cover(regions_of("idle", "light load"), 2.0, ("middle load", "high load"), True).next_drive
    assert "hill" not in asked
    assert "measure it standing first" in asked
    assert "hill" in cover(regions_of("idle", "light load"), 2.0, ("high load",), True).next_drive


def test_a_few_seconds_are_not_enough() -> None:
    coverage = cover(regions_of("idle", "light load", seconds=2.0), 2.0)
    assert coverage.share == 0.0
    assert "idle for a minute" in coverage.next_drive


def test_regions_of_a_drive_carry_need_and_time(lab: Any) -> None:
    said = lab.judged(lab.Bench().tour(lab.Fault(metered=lambda point: 0.9)).arrays()).finding()
    assert sum(region.seconds for region in said.coverage.regions) == pytest.approx(said.settled, abs=2.0)
    assert all(region.need[0] == pytest.approx(1 / 0.9, abs=0.02) for region in said.coverage.regions)
    assert said.to_json()["coverage"]["groups"][0]["load"] == "idle"


@pytest.mark.parametrize(("displacement", "flow", "load"), [(3.0, 24.0, "middle load"), (2.0, 16.0, "light load")])
def test_a_large_engine_cruises_at_middle_load(displacement: float, flow: float, load: str) -> None:
    # 25 g/s of air are 1.8 g/s of petrol, 75 kW of heat, 19 kW on the wheels at a fourth of it: 120 km/h, whatever the
    # engine (common practice). 24 g/s of 3 L begin the region of 8 g/s for each litre, as 16 g/s of 2 L do.
    cruise = Region((2300.0, 3000.0), (flow, flow * 1.5), 30.0, 4, (1.0, float("nan")))
    assert [group.name for group in cover([cruise], displacement).groups if group.seconds] == [load]
