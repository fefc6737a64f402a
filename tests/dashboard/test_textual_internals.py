"""The private parts of Textual that one module uses, on the version that is installed."""

from __future__ import annotations

import asyncio
import threading
from queue import Queue

from rich.segment import Segment
from textual.app import ComposeResult
from textual.color import Color
from textual.drivers._writer_thread import WriterThread
from textual.widgets import Static

from livewatch.dashboard.textual_internals import AsciiFilter, TextualApp


class Page(TextualApp):
    def compose(self) -> ComposeResult:
        yield Static("speed │ 3000 ━━ λ", id="text")


class SlowTerminal:
    """Takes nothing until it is let."""

    def __init__(self) -> None:
        self.let, self.taken = threading.Event(), Queue[str]()

    def write(self, text: str) -> None:
        self.let.wait(10)
        self.taken.put(text)

    def flush(self) -> None: ...


async def test_everything_drawn_goes_through_the_filter_while_ascii_is_asked_for() -> None:
    app = Page()
    async with app.run_test(size=(30, 3)) as pilot:
        for plain, wanted in ((True, "speed | 3000 == l"), (False, "speed │ 3000 ━━ λ")):
            app.show_ascii_only(plain)
            app.query_one("#text").refresh()
            await pilot.pause()
            line = app.screen._compositor.render_strips()[0]
            filtered = line.apply_filter(app._ascii, Color(0, 0, 0)) if plain else line
            assert "".join(segment.text for segment in filtered).rstrip() == wanted
            assert (app._ascii in app.get_line_filters()) is plain


def test_the_filter_keeps_styles_and_leaves_ascii_alone() -> None:
    plain, other = Segment("abc"), Segment("▲▲ λ")
    kept = AsciiFilter().apply([plain, other], Color(0, 0, 0))
    assert kept[0] is plain and kept[1].text == "!! l" and kept[1].style is other.style


async def test_what_waits_for_a_terminal_is_counted_as_the_drivers_writer_holds_it() -> None:
    app, terminal = Page(), SlowTerminal()
    async with app.run_test():
        assert app.output_waiting == 0, "a driver without a writer"
        writer = WriterThread(terminal)  # type: ignore[arg-type]
        writer.start()
        app._driver._writer_thread = writer  # type: ignore[union-attr, attr-defined]
        for number in range(6):
            writer.write(f"{number}")
        async with asyncio.timeout(30):  # one is with the terminal, the others wait
            while app.output_waiting != 5:
                await asyncio.sleep(0.005)
        terminal.let.set()
        writer.stop()
        assert app.output_waiting == 0
        app._driver._writer_thread = None  # type: ignore[union-attr, attr-defined]


async def test_a_fault_of_the_screen_is_kept_and_ends_it_without_a_traceback(monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    app = Page()
    monkeypatch.setattr(type(app), "is_headless", property(lambda _: False))
    async with app.run_test():
        app._handle_exception(ZeroDivisionError("a fault"))
        for _ in range(1500):
            if not app.is_running:
                break
            await asyncio.sleep(0.02)
        assert not app.is_running
    assert isinstance(app.fault, ZeroDivisionError)
    assert "Traceback" not in "".join(capsys.readouterr())
