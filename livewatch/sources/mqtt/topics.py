"""The topics of livewatch, version 1: `livewatch/1/STATION/...`. The names of stations and alarms in them are escaped.

status                 retained, the broker's last will      state, car, session, numbers
alarms/NAME            retained, QoS 1                       how an alarm stands
verdict, authority     retained                              by system; how much of each limit is used
profile                retained                              the resolved profile, YAML
events/SESSION         QoS 1                                 each line of the event log, byte for byte, in order
samples                                                      chosen channels in batches
rows/SESSION                                                 raw frames in batches, where asked for
again, acknowledge     to the station                        send events once more; acknowledge an alarm
"""

from __future__ import annotations

import re
from urllib.parse import quote, unquote

from livewatch.errors import UsageError

__all__ = ["LONGEST_TOPIC", "ROOT", "TopicParts", "read_topic", "station_name", "topic"]

ROOT = "livewatch/1"
LONGEST_TOPIC = 400
LONGEST_STATION = 60
KINDS = frozenset(
    ("status", "alarms", "verdict", "authority", "profile", "events", "samples", "rows", "again", "acknowledge")
)
_PLAIN = re.compile(r"[A-Za-z0-9_.~%-]+\Z")

TopicParts = tuple[str, str, str]
"""Station, kind, and the name after it, empty where there is none."""


def station_name(text: str) -> str:
    """`text` as the name of a station.

    Raises:
        UsageError: it cannot be one.
    """
    if (
        not text.isprintable()
        or not 0 < len(text) <= LONGEST_STATION
        or text.strip() != text
        or set(text) & set("/+#$")
    ):
        raise UsageError(
            f"station {text!r}: expected a name of at most {LONGEST_STATION} printable characters without / + # $"
        )
    return text


def topic(station: str, kind: str, name: str = "") -> str:
    """The topic of a station's messages of a kind; `+` as station or name stands for every one."""
    parts = [ROOT, _escaped(station), kind, *([_escaped(name)] if name else [])]
    return "/".join(parts)


def read_topic(text: str) -> TopicParts | None:
    """What a topic is of; None of one that is none of ours."""
    if len(text) > LONGEST_TOPIC or not text.startswith(f"{ROOT}/"):
        return None
    station, _, rest = text.removeprefix(f"{ROOT}/").partition("/")
    kind, _, name = rest.partition("/")
    if kind not in KINDS or "/" in name or not _PLAIN.match(station) or (name and not _PLAIN.match(name)):
        return None
    try:
        station = station_name(unquote(station, errors="strict"))
        return station, kind, unquote(name, errors="strict")
    except (UsageError, UnicodeDecodeError):
        return None


def _escaped(name: str) -> str:
    return name if name == "+" else quote(name, safe="")
