"""The report of one recording of many, as a text: made where the recording was read, written where it was asked for."""

from __future__ import annotations

from livewatch.diagnosis.diagnosis import Diagnosis

__all__ = ["html_report"]


def html_report(diagnosis: Diagnosis) -> str:
    """The HTML page, without identification numbers and positions.

    Raises:
        SourceError: the recording is gone.
    """
    from livewatch.report.layout import lay_out  # late: what draws is loaded where something is drawn
    from livewatch.report.report import report_of

    return lay_out("report.html.j2", report=report_of(diagnosis))
