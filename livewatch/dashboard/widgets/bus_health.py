"""Where the data comes from and where it goes: each bus, the recording, and everything odd so far."""

from __future__ import annotations

from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import heading, write_lines
from livewatch.sources.live.status import BusStatus
from livewatch.wording.car import rate_figures
from livewatch.wording.events import MARKS
from livewatch.wording.names import short_label

__all__ = ["BusHealth"]


class BusHealth(CanvasWidget):
    """A row a bus, a row for the recording, then the counts; what has no room is counted."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        snapshot = self.snapshot
        if snapshot is None:
            return
        told: list[tuple[tuple[str, ...], Ink]] = [_bus(bus) for bus in snapshot.buses]
        told += [((f"{MARKS['medium']} {trouble}",), "medium") for trouble in snapshot.trouble]
        told += [(wordings, "ink") for wordings in _asked(snapshot)]
        told += [((text,), "quiet") for text in (*snapshot.recording[:1], *_odd(snapshot))]
        y, left = 1, len(told)
        for wordings, ink in told:
            room = canvas.height - y
            # The shortest wording leaves a row to what comes after.
            rows = room - min(left - 1, room - 1) if len(wordings) > 1 else room
            lines = fit(wordings, canvas.width - 1, max(1, rows))
            if y >= canvas.height or (not lines.whole and y > 1):
                break
            y, left = write_lines(canvas, 0, y, lines.lines, ink), left - 1
        heading(canvas, "buses" if snapshot.buses else "source", f"{left} more: r" if left else f"{snapshot.rows} rows")


def _bus(bus: BusStatus) -> tuple[tuple[str, ...], Ink]:
    parts = [f"{bus.error_frames} error frames"] if bus.error_frames else []
    parts += [f"{bus.dropped} dropped"] if bus.dropped else []
    if bus.state != "open":
        silent = f" {bus.age:.0f} s" if bus.age is not None else ""
        return (", ".join([f"{MARKS['high']} {bus.name} {bus.state}{silent}", *parts]),), "high"
    load = [] if bus.load is None else [f"load {bus.load * 100:.0f} %"]
    return (", ".join([f"{bus.name} {bus.rate:.0f} frames/s", *load, *parts]),), "ink"


def _asked(snapshot: Snapshot) -> list[tuple[str, ...]]:
    """How many values a polled car gives in a second, and of each channel how many of those wanted, what falls short
    first; in fewer words of these alone, of the first of them, or only how many there are."""
    if not snapshot.asked:
        return []
    rates = sorted(snapshot.asked.items(), key=lambda one: (not one[1].short, one[1].achieved, one[0]))
    said = [f"{short_label(name, snapshot.profile)} {rate_figures(rate)}" for name, rate in rates]
    short = [text for text, (_, rate) in zip(said, rates, strict=True) if rate.short]
    asked = f"asked {sum(rate.achieved for _, rate in rates):.0f}/s"
    whole = f"{asked}: {', '.join(said)}"
    if not short:
        return [(whole, f"{asked}, as wanted")]
    fewer = f"{asked}, {len(short)} of {len(rates)} short"
    return [(whole, f"{fewer}: {', '.join(short)}", f"{fewer}: {short[0]}", fewer)]


def _odd(snapshot: Snapshot) -> list[str]:
    """The counts, largest first."""
    ranked = sorted(snapshot.counts.items(), key=lambda item: -item[1])
    return [f"{number} {kind}" for kind, number in ranked]
