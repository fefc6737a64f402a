"""`livewatch sheet`: asks for a build in plain words, in the terminal or in a browser, and writes the build sheet."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from livewatch import Intake, LivewatchError, UsageError, answer_of, check_writable, load_build_sheet, load_profile
from livewatch.commands.options import profile_option
from livewatch.commands.page import Page, say
from livewatch.wording.answer import SHEET_CAUTION, answer_lines, unknown_line

__all__ = ["sheet"]


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), default=Path("build_sheet.yaml"))
@profile_option(required=False)
@click.option("--browser", is_flag=True, help="Ask in a browser, on this machine unless --host says more.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address the browser view listens on.")
@click.option("--port", type=click.IntRange(1, 65535), default=8000, show_default=True, help="Its port.")
@click.option("--token", help="What a browser must bring; one is made up where others can reach the address.")
def sheet(file: Path, profile_name: str | None, browser: bool, host: str, port: int, token: str | None) -> int:
    """Ask for a build in plain words and write FILE, the build sheet (`build_sheet.yaml` if not given).

    What the calibration was written for, what is fitted: only what matters for this engine, the most telling first,
    with what each answer leads to. "I don't know" is a good answer everywhere. A sheet that is half done is carried on
    with. With a profile the engine is known; without one it is asked about.

    \b
      livewatch sheet
      livewatch sheet customer.yaml -p brackwell_20t
      livewatch sheet customer.yaml --browser
    """
    profile = None if profile_name is None else load_profile(profile_name)
    if profile is not None and profile.engine is None:
        raise UsageError(f"the profile {profile.name!r} has no engine in it: leave out -p, and you are asked about it")
    check_writable(file)
    known = load_build_sheet(file) if file.exists() else None
    if browser:
        from livewatch.dashboard.browser.server import serve_in_browser

        told = ["sheet", str(file), *([] if profile_name is None else ["-p", profile_name])]
        serve_in_browser([sys.executable, "-m", "livewatch.commands.behind_page", *told], host, port, token)
        return 0
    if not sys.stdout.isatty():
        raise UsageError("the questions need a terminal; expected one, or --browser")
    from livewatch.dashboard.form.app import SheetForm

    intake = Intake(profile, known, "" if known is not None else file.stem.replace("_", " "))
    form = SheetForm(intake, file, profile_name or "")
    form.run()
    if form.fault is not None:
        raise form.fault
    if form.problem:
        raise LivewatchError(f"{file}: the sheet cannot be kept: {form.problem}")
    if not intake.said:
        say("Nothing was said: no sheet was written.")
        return 0
    answer = answer_of(intake)
    console = Page()
    for line in (*answer_lines(answer), unknown_line(answer), SHEET_CAUTION, f"The sheet is {file}."):
        if line:
            console.print(line)
    return 0
