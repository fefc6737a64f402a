"""The rows of a pile as a file: CSV, Parquet or one HTML page, by the suffix of its name.

Rows come in, in order, with a link to each report where there is one; a file goes out, as a whole or not at all. The
columns are those of `COLUMNS`, with units in their names, in all three; unknown numbers are empty. In HTML everything
from outside is escaped and nothing is fetched. In CSV a text that a spreadsheet would take for a formula begins with an
apostrophe.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from html import escape
from pathlib import Path
from typing import Any, BinaryIO
from urllib.parse import quote

from livewatch.data.kept import write_whole
from livewatch.data.outside import open_file, printable
from livewatch.diagnosis.pile.row import PileRow
from livewatch.errors import LivewatchError, UsageError

__all__ = ["COLUMNS", "TABLES", "table_kind", "write_table"]

Links = Mapping[str, Path]
"""Recording to the file of its report."""
SYSTEMS = ("fuel at part load", "fuel under load", "boost", "fuel supply")


def _word(system: str, row: PileRow) -> str:
    return row.systems.get(system, "")


COLUMNS: Mapping[str, Callable[[PileRow], Any]] = {
    "recording": lambda row: row.recording,
    "verdict": lambda row: row.verdict,
    "why": lambda row: row.sentence,
    "causes": lambda row: "; ".join(row.titles),
    "size": lambda row: row.size,
    **{system: partial(_word, system) for system in SYSTEMS},
    "critical alarms": lambda row: row.priorities.get("critical", 0),
    "high alarms": lambda row: row.priorities.get("high", 0),
    "other alarms": lambda row: sum(n for name, n in row.priorities.items() if name not in ("critical", "high")),
    "not explained": lambda row: "; ".join(row.unexplained),
    "need [%]": lambda row: row.need,
    "need, low [%]": lambda row: row.need_low,
    "need, high [%]": lambda row: row.need_high,
    "pulls": lambda row: row.pulls,
    "duration [s]": lambda row: row.duration,
    "settled [s]": lambda row: row.settled,
    "vehicle": lambda row: row.vehicle,
    "begun [UTC]": lambda row: row.begun,
    "odd": lambda row: "; ".join(f"{number} {kind}" for kind, number in row.odd.items()),
}
"""Heading to what stands below it: text, a whole number, or a number that may be unknown."""
REPORT = "report"
FORMULA = ("=", "+", "-", "@", "\t", "\r")
MARKS = {"misfit": "!", "strained": "~", "unproven": "?", "not read": "×", "fits": "="}
STYLE = """
body { font: 15px/1.45 system-ui, sans-serif; margin: 1.5rem; color: #1b1b1b; background: #fff; }
table { border-collapse: collapse; } caption { text-align: left; font-size: 1.3rem; padding-bottom: .5rem; }
th, td { text-align: left; vertical-align: top; padding: .35rem .8rem .35rem 0; border-bottom: 1px solid #ccc; }
thead th { background: #f2f2f2; }
td.recording { min-width: 12rem; max-width: 22rem; overflow-wrap: anywhere; } td.why { min-width: 20rem; }
td.systems { min-width: 13rem; } td.verdict, td.alarms\\:, td.length, td.begun { white-space: nowrap; }
td.need, td.odd { min-width: 9rem; } .misfit td.verdict { font-weight: bold; color: #9c1c10; }
.strained td.verdict { font-weight: bold; color: #7a4b00; } .wide { overflow-x: auto; }
@page { size: A4 landscape; } @media print { body { margin: 0; font-size: 9px; } td { min-width: 0 !important; } }
"""


def write_table(path: Path, rows: Sequence[PileRow], links: Links | None = None, said: Sequence[str] = ()) -> None:
    """Write `rows` to `path`; `said` are lines below the HTML table.

    Raises:
        UsageError: its suffix is that of no table.
        LivewatchError: it cannot be written.
    """
    kind = table_kind(path)
    links = {recording: Path(os.path.relpath(to, path.parent)) for recording, to in (links or {}).items()}
    if kind == ".html":
        content = _html(rows, links, said)
    elif kind == ".csv":
        content = _csv(rows, links)
    else:
        content = _parquet(rows, links)
    try:
        write_whole(path, content)
    except OSError as error:
        raise LivewatchError(
            f"{path}: the table cannot be written: {error.strerror or error}; what was read is kept, the same command "
            "goes on from there"
        ) from None


def table_kind(path: Path) -> str:
    """The suffix that says which kind of table is written to `path`.

    Raises:
        UsageError: it is that of none, what writes it is not installed, or what is there is a table of something else.
    """
    kind = path.suffix.lower()
    if kind not in TABLES:
        raise UsageError(f"--table {path}: expected a name that ends in {', '.join(TABLES)}")
    if kind == ".parquet":
        try:
            import pyarrow  # noqa: F401
        except ModuleNotFoundError:
            raise UsageError(f'--table {path}: Parquet needs pip install "livewatch[tables]"') from None
    with suppress(OSError), open_file(path) as file:
        if os.fstat(file.fileno()).st_size and not _is_table(file, kind):
            raise UsageError(f"--table {path}: what is there is no table of recordings; expected a name that is free")
    return kind


def _is_table(file: BinaryIO, kind: str) -> bool:
    """Whether a file is such a table, made before."""
    if kind != ".parquet":
        return _HEADS[kind] in file.read(1024)
    from pyarrow import ArrowException, parquet

    try:
        names: list[str] = parquet.read_schema(file).names
    except (ArrowException, OSError):
        return False
    return names[:2] == list(COLUMNS)[:2]


_TITLE = "Recordings, worst first"
_HEADS = {".csv": ",".join(list(COLUMNS)[:2]).encode(), ".html": f"<title>{_TITLE}</title>".encode()}
TABLES = (".csv", ".parquet", ".html")


def _csv(rows: Sequence[PileRow], links: Links) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")  # RFC 4180
    writer.writerow([*COLUMNS, *([REPORT] if links else [])])
    for row in rows:
        cells = [cell(row) for cell in COLUMNS.values()]
        if links:
            cells.append(links[row.recording].as_posix() if row.recording in links else "")
        writer.writerow([_harmless(cell) for cell in cells])
    return text.getvalue().encode("utf-8", "backslashreplace")


def _harmless(cell: Any) -> Any:
    """No formula of a spreadsheet: OWASP, "CSV Injection"."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA) else cell


def _parquet(rows: Sequence[PileRow], links: Links) -> bytes:
    import pyarrow as pa
    from pyarrow import parquet

    columns = {name: [_storable(cell(row)) for row in rows] for name, cell in COLUMNS.items()}
    if links:
        columns[REPORT] = [links[row.recording].as_posix() if row.recording in links else None for row in rows]
    numbers = {"critical alarms", "high alarms", "other alarms", "pulls"}
    arrays = {
        name: pa.array(
            values, pa.int64() if name in numbers else pa.float64() if name.endswith(("[%]", "[s]")) else pa.string()
        )
        for name, values in columns.items()
    }
    sink = io.BytesIO()
    parquet.write_table(pa.table(arrays), sink)
    return sink.getvalue()


def _storable(cell: Any) -> Any:
    return cell.encode("utf-8", "backslashreplace").decode() if isinstance(cell, str) else cell


def _html(rows: Sequence[PileRow], links: Links, said: Sequence[str]) -> bytes:
    heads = "".join(f'<th scope="col">{escape(name)}</th>' for name in PAGE)
    body = "\n".join(_html_row(row, links) for row in rows)
    counts = ", ".join(f"{count} {word}" for word in MARKS if (count := sum(row.verdict == word for row in rows)))
    lines = "".join(f"<p>{escape(printable(line))}</p>" for line in said)
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{_TITLE}</title><style>{STYLE}</style></head><body>"
        f'<main><div class="wide"><table><caption>{len(rows)} recordings, worst first: {counts}</caption>'
        f"<thead><tr>{heads}</tr></thead><tbody>\n{body}\n</tbody></table></div>{lines}</main></body></html>\n"
    ).encode("utf-8", "backslashreplace")


def _html_row(row: PileRow, links: Links) -> str:
    cells = []
    for name, cell in PAGE.items():
        text = escape(printable(cell(row)))
        if name == "recording" and row.recording in links:
            text = f'<a href="{escape(quote(links[row.recording].as_posix()))}">{text}</a>'
        cells.append(f'<td class="{name.split()[0]}">{text}</td>')
    return f'<tr class="{row.verdict.replace(" ", "-")}">{"".join(cells)}</tr>'


def _alarms(row: PileRow) -> str:
    critical, high = row.priorities.get("critical", 0), row.priorities.get("high", 0)
    return "" if row.exit_code else f"{critical}, {high}, {sum(row.priorities.values()) - critical - high}"


def _need(row: PileRow) -> str:
    if row.need is None or row.need_low is None or row.need_high is None:
        return ""
    return f"{row.need:+.1f} % ({row.need_low:+.1f} to {row.need_high:+.1f})"


PAGE: Mapping[str, Callable[[PileRow], str]] = {
    "recording": lambda row: row.recording,
    "verdict": lambda row: f"{MARKS[row.verdict]} {row.verdict}",
    "why": lambda row: row.sentence,
    "systems": lambda row: "; ".join(f"{system}: {word}" for system, word in row.systems.items()),
    "alarms: critical, high, other": _alarms,
    "need": _need,
    "pulls": lambda row: "" if row.exit_code else str(row.pulls),
    "length": lambda row: "" if row.exit_code else f"{row.duration:.0f} s",
    "begun (UTC)": lambda row: row.begun[:16].replace("T", " "),
    "odd": lambda row: "; ".join(f"{number} {kind}" for kind, number in row.odd.items()),
}
"""The columns of the page, fewer than those of the other tables: what a person wants to see at once."""
