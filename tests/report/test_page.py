"""A report as a file: it holds everything, says all of it in words too, and takes no stranger's text for mark-up."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest

import livewatch
from livewatch.diagnosis.pull_curves import PullCurve
from livewatch.report.layout import lay_out, plain_json
from livewatch.report.plots import boost
from livewatch.report.plots.picture import Picture, legend
from livewatch.report.report import Report, report_of
from livewatch.wording.cautions import CAUTION

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.text import Text

VIN = "1ABCDE23456789012"


class Page(HTMLParser):
    """Elements of a page with their attributes, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def html(report: Report) -> str:
    return lay_out("report.html.j2", report=report)


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_it_asks_nothing_of_any_network(html: str, page: Page) -> None:
    policy = next(one["content"] for one in page.all("meta") if one.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None and policy.startswith("default-src 'none'; img-src data:")
    for _, attributes in page.elements:
        for name in ("src", "href", "action", "data", "poster", "srcset"):
            assert (attributes.get(name) or "data:").startswith(("data:", "#"))
    assert not re.search(r"url\(|@import", html) and not page.all("script") and not page.all("link")


def test_it_is_smaller_than_three_megabytes(html: str) -> None:
    assert len(html.encode()) < 3_000_000


def test_every_picture_is_told_in_words_and_headings_follow_one_another(page: Page) -> None:
    pictures = page.all("img")
    assert len(pictures) >= 4 and all(len(one["alt"] or "") > 30 for one in pictures)
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert page.all("html")[0]["lang"] == "en" and page.all("main")
    assert all(one.get("scope") in ("row", "col") for one in page.all("th"))


def test_names_of_strangers_are_text(html: str, page: Page) -> None:
    assert "<script" not in html and "<script>x<" in page.text.replace("_", "/")


def test_identification_numbers_stay_out_unless_asked_for(report: Report, html: str) -> None:
    assert VIN not in html and VIN in lay_out("report.html.j2", private=True, report=report)
    said = json.dumps(plain_json(report.to_json()))
    assert VIN not in said and VIN in json.dumps(plain_json(report.to_json(), private=True))
    assert str(report.diagnosis.path.parent) not in said + html


def test_it_says_the_verdict_by_system_the_cautions_and_the_hashes(report: Report, page: Page) -> None:
    assert CAUTION in page.text and report.finding.sentence in page.text
    for one in report.systems:
        assert one.name in page.text and one.sentence in page.text
    assert set(report.data.hashes) > {"profile"} and all(one in page.text for one in report.data.hashes.values())


def test_markdown_says_the_same_and_escapes_what_it_would_take_for_more(report: Report) -> None:
    text = lay_out("report.md.j2", report=report)
    assert (
        text.startswith("# What the drive shows") and r"\*drive\*" in text and "<script" not in text.replace("\\<", "")
    )
    assert all(one.name in text for one in report.systems) and "SHA-256" in text


def test_json_has_the_diagnosis_and_what_each_picture_shows(report: Report) -> None:
    said = json.loads(json.dumps(report.to_json(), allow_nan=False))
    assert said["report"] == 1 and said["verdict"] == report.word and "/" not in said["source"].replace("</", "")
    assert {"need_over_flow", "boost_in_pulls", "authority_map"} <= {one["picture"] for one in said["pictures"]}


def test_what_the_data_cannot_show_is_said_in_the_place_of_the_picture(bare: livewatch.Diagnosis) -> None:
    report = report_of(bare)
    assert all(not one.svg and one.instead for one in report.evidence)
    page = Page(lay_out("report.html.j2", report=report))
    assert page.text.count("Not drawn: ") >= 4 and "Not in the data: short term fuel trim 1" in page.text
    assert "<b>bare</b>" in page.text


def test_a_position_is_shown_only_when_asked_for(bare: livewatch.Diagnosis) -> None:
    shy, asked = report_of(bare), report_of(bare, private=True)
    assert "52.5" not in lay_out("report.html.j2", report=shy) + json.dumps(shy.to_json())
    assert "52.5" in lay_out("report.html.j2", report=asked)


def test_axes_are_named_with_units_and_no_text_is_cut_off(report: Report, figures: dict[str, Figure]) -> None:
    from matplotlib.text import Text

    assert len(figures) > len(report.evidence), "all pictures of the drive, and those around alarms"
    labels: list[str] = []
    cut_off: list[str] = []
    for name, figure in figures.items():
        cut_off.extend(written.get_text() for written in figure.findobj(Text) if _reaches_out(written, figure))
        shown = [axes for axes in figure.axes if axes.axison]
        labels.extend(axes.get_xlabel() for axes in shown if axes.get_xlabel())
        labels.extend(axes.get_ylabel() for axes in shown)
        assert any(axes.get_xlabel() for axes in shown), name
    units = ("rpm", "g/s", "%", "kPa", "s since", "s before", "ratio", "deg", "N·m", "kW", "degC", "ms")
    without = [label for label in labels if label and not any(unit in label for unit in units)]
    assert len(labels) > 15 and not without
    assert not cut_off


@pytest.mark.filterwarnings("error")
def test_the_mean_of_pulls_has_no_step_where_one_of_them_ends() -> None:
    def pull(torque: float, low: float, high: float) -> PullCurve:
        speed = np.arange(low, high + 1.0, 100.0)
        value = {"torque": np.full(len(speed), torque), "power": np.full(len(speed), np.nan)}
        return PullCurve(1, 0.0, 9.0, speed, value, (99.0, 25.0, 0.0), "", ())

    picture = boost.dyno_power([pull(100.0, 2000.0, 5000.0), pull(120.0, 2500.0, 6000.0)])
    assert picture.svg and "most torque 110 N*m at 2500 rpm" in picture.alt
    assert boost.dyno_power([pull(100.0, 2000.0, 3000.0), pull(120.0, 4000.0, 5000.0)]).svg


@pytest.mark.filterwarnings("error")
def test_a_picture_shows_of_a_name_what_the_page_would() -> None:
    from matplotlib.text import Text

    figures: list[Figure] = []

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for name in ("1ABCDE23456789012 drive", "red\x1b[31m", "\N{SNOWMAN}\U0001f697", "long " * 50):
            axes.plot([0, 1], label=name)
        axes.set_title("1ABCDE23456789012 \x07")
        legend(figure, axes)
        figures.append(figure)

    assert Picture("name", "title", "caption", "alt", draw).svg
    texts = [text.get_text() for text in figures[0].findobj(Text)]
    assert not [text for text in texts if "1ABCDE" in text or not text.isprintable() or len(text) > 60]
    assert "(identification number left out) drive" in texts and "red\\x1b[31m" in texts


def _reaches_out(written: Text, figure: Figure) -> bool:
    if not written.get_visible() or not re.search("[a-z]", written.get_text()):
        return False  # figures of a scale: those beyond its ends are not drawn
    box, paper = written.get_window_extent(), figure.bbox
    return bool(min(box.x0, box.y0) < -1 or box.x1 > paper.x1 + 1 or box.y1 > paper.y1 + 1)
