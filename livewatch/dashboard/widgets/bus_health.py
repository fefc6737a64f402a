"""Where the data comes from and where it goes: each bus, the recording, and everything odd so far."""

from __future__ import annotations

from livewatch.dashboard.drawing.sheet import Ink, Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.picture import Picture
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import heading
from livewatch.event_text import MARKS
from livewatch.sources.live_status import BusStatus

__all__ = ["BusHealth"]


class BusHealth(Drawn):
    """A row a bus, a row for the recording, then the counts."""

    def draw(self, sheet: Sheet, look: Look) -> None:
        picture = self.picture
        if picture is None:
            return
        y = heading(sheet, "buses" if picture.buses else "source", f"{picture.rows} rows")
        for bus in picture.buses[: sheet.height - y]:
            self._bus(sheet, bus, y)
            y += 1
        for trouble in picture.trouble:
            if y < sheet.height:
                sheet.write(0, y, f"{MARKS['medium']} {trouble}", "medium", sheet.width - 1)
                y += 1
        if picture.recording and y < sheet.height:
            sheet.write(0, y, picture.recording, "quiet", sheet.width - 1)
            y += 1
        for text in _odd(picture):
            if y < sheet.height:
                sheet.write(0, y, text, "quiet", sheet.width - 1)
                y += 1

    def _bus(self, sheet: Sheet, bus: BusStatus, y: int) -> None:
        ink: Ink = "ink"
        if bus.state == "open":
            x = sheet.write(0, y, bus.name, "ink", 12) + 1
        else:
            ink = "high"
            silent = f" {bus.age:.0f} s" if bus.age is not None else ""
            x = sheet.write(0, y, f"{MARKS['high']} {bus.name} {bus.state}{silent}", ink, sheet.width - 1) + 1
        parts = [f"{bus.error_frames} error frames"] if bus.error_frames else []
        parts += [f"{bus.dropped} dropped"] if bus.dropped else []
        if bus.state == "open":
            load = [] if bus.load is None else [f"load {bus.load * 100:.0f} %"]
            parts = [f"{bus.rate:.0f} frames/s", *load, *parts]
        x = max(x, 14 if sheet.width >= 45 else 8)
        sheet.write(x, y, "  ".join(parts), "quiet", sheet.width - x - 1)


def _odd(picture: Picture) -> list[str]:
    """The counts, largest first."""
    ranked = sorted(picture.counts.items(), key=lambda item: -item[1])
    return [f"{number} {kind}" for kind, number in ranked]
