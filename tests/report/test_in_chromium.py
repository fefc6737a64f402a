"""A report in a real browser: what it asks of the network, what is cut off, how many sheets of A4 it takes.

Only where Chromium is installed.
"""

from __future__ import annotations

import base64
import re
from pathlib import Path

import pytest

from livewatch.report.layout import lay_out
from livewatch.report.report import Report
from tests.chromium import Chromium, needs_chromium

pytestmark = needs_chromium
BEYOND = """[...document.querySelectorAll("body *")].filter(one => !one.closest("thead")).filter(one => {
  const box = one.getBoundingClientRect();
  return box.left < -1 || box.right > innerWidth + 1;
}).map(one => one.tagName + " " + one.textContent.slice(0, 40))"""
"""What reaches out of the window; the heads of tables, hidden on a phone, are said beside each cell."""


@pytest.fixture(scope="module")
def page(report: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(lay_out("report.html.j2", report=report), encoding="utf-8")
    return path


async def test_nothing_is_asked_for_nothing_cut_off_and_it_prints_on_eight_sheets(page: Path, tmp_path: Path) -> None:
    careless = tmp_path / "careless.html"
    careless.write_text('<!DOCTYPE html><img alt="" src="http://127.0.0.1:9/asked.png">')
    async with Chromium(tmp_path / "browser") as browser:
        await browser.open(careless.as_uri())
        assert "http://127.0.0.1:9/asked.png" in browser.asked, "a page that asks is noticed"
        for width in (1100, 400):
            browser.asked.clear()
            await browser.call(
                "Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width == 400
            )
            await browser.open(page.as_uri())
            assert [one for one in browser.asked if not one.startswith("data:")] == [page.as_uri()]
            assert await browser.value("innerWidth") == width and await browser.value(BEYOND) == []
            assert await browser.value("[...document.images].every(one => one.naturalWidth > 100)")
        printed = await browser.call("Page.printToPDF", preferCSSPageSize=True)
    sheets = re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed["data"]))
    assert 2 <= len(sheets) <= 8
