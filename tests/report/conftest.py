"""A diagnosed recording under a name that pages would take for mark-up, and one whose profile has few channels."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import livewatch
from livewatch.report.plots import around_alarm, boost, fuel, operating_map
from livewatch.report.plots.picture import Picture
from livewatch.report.report import Report, report_of
from tests.drives import driven

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NAME = "<script>x</script> & $dollar$ 1ABCDE23456789012 *drive*"
"""With an invented vehicle identification number in it."""


@pytest.fixture(scope="session")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty seconds with a pull of the Brackwell with a wider air meter, as candump."""
    wrong = (livewatch.Mismatch("air_meter_bore", 72.0),)
    made = driven(livewatch.Scenario(mismatches=wrong, route="pulls", duration=60.0, seed=3))
    path = tmp_path_factory.mktemp("drive") / f"{NAME.replace('/', '_')}.log"
    livewatch.write_recording(livewatch.frames_of(made, livewatch.load_profile("brackwell_20t")), path)
    return path


@pytest.fixture(scope="session")
def diagnosis(drive: Path) -> livewatch.Diagnosis:
    return livewatch.diagnose(drive, "brackwell_20t")


@pytest.fixture(scope="session")
def figures() -> dict[str, Figure]:
    """What was drawn for the report, and its pulls over one another, by the name of the picture."""
    return {}


@pytest.fixture(scope="session")
def report(diagnosis: livewatch.Diagnosis, figures: dict[str, Figure]) -> Report:
    def drawn_and_kept(name: str, title: str, caption: str, alt: str, draw: Any, height: float = 3.2) -> Picture:
        def draw_and_keep(figure: Figure) -> None:
            draw(figure)
            figures[name] = figure

        return Picture(name, title, caption, alt, draw_and_keep, height)

    with pytest.MonkeyPatch.context() as patch:
        for module in (around_alarm, boost, fuel, operating_map):
            patch.setattr(module, "Picture", drawn_and_kept)
        report = report_of(diagnosis)
        for picture in (*report.evidence, *report.alarm_pictures, boost.pulls_overlaid({"one": report.curves})):
            assert picture.svg or picture.instead
        return report


@pytest.fixture(scope="session")
def bare(drive: Path, tmp_path_factory: pytest.TempPathFactory) -> livewatch.Diagnosis:
    """The same read by a profile that knows engine speed alone, and a position."""
    folder = tmp_path_factory.mktemp("bare")
    path = folder / "bare.csv"
    rows = [f"{0.1 * row:.1f},{800 + 10 * (row % 50)},52.5" for row in range(300)]
    path.write_text("time,engine_speed,gps_latitude\n" + "\n".join(rows) + "\n", encoding="utf-8")
    profile = livewatch.load_profile_text(
        "profile: 1\nname: '<b>bare</b>'\nchannels:\n  engine_speed: {unit: rpm}\n  gps_latitude: {unit: deg}\n"
        "alarms:\n  north:\n    condition: gps_latitude > 50 deg\n    priority: critical\n    action: Go home.\n",
        "bare.yaml", None,
    )  # fmt: skip
    return livewatch.diagnose(path, profile)
