"""One fault code of the car beside what a drive showed, as a value and in words."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import Any, Literal

from livewatch.profile.diagnostic_port.fault_codes import code_words
from livewatch.signature.causes.codes import Load

__all__ = ["CodeEvidence", "Standing"]

Standing = Literal["agrees", "contradicts", "not borne out", "open"]


@dataclass(frozen=True, slots=True)
class CodeEvidence:
    """One fault code beside what was measured.

    Attributes:
        code, unit, kinds: which, of which control unit, and whether stored, pending or permanent.
        load: the operating region of its freeze frame, empty where that is not known.
        where: the operating point of its freeze frame in words, empty without one.
        speaks_for, speaks_against: names of the causes, as far as they are known here.
        agrees, contradicts: titles of those among them that the drive established.
        need: need measured in that region, % away from 1; NaN where it was not driven.
        standing: how it stands to what was measured.
    """

    code: str
    unit: str
    kinds: tuple[str, ...]
    load: Load | Literal[""]
    where: str
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]
    agrees: tuple[str, ...]
    contradicts: tuple[str, ...]
    need: float
    standing: Standing

    @property
    def said(self) -> str:
        """The code, what it means, and where it was set."""
        kinds = " and ".join(part for part in (", ".join(self.kinds[:-1]), self.kinds[-1]) if part)
        return f"{code_words(self.code)}, {kinds}{f', set {self.where}' if self.where else ''}"

    @property
    def short(self) -> str:
        """Code, region and standing, for a screen."""
        return f"{self.code}{f' at {self.load}' if self.load else ''}: {self.standing}"

    def __str__(self) -> str:
        parts = [f"{self.said}, in control unit {self.unit}"]
        if not isnan(self.need):
            parts.append(f"this drive needs {self.need:+.1f} % fuel there")
        if self.agrees:
            parts.append(f"it agrees with what was measured: {', '.join(self.agrees)}")
        elif self.standing == "contradicts":
            against = f": {', '.join(self.contradicts)}" if self.contradicts else ""
            parts.append(f"it contradicts what was measured{against}")
        elif self.standing == "not borne out":
            parts.append("this drive does not bear it out")
        elif self.speaks_for:
            parts.append(f"it would speak for {' or '.join(name.replace('_', ' ') for name in self.speaks_for)}")
        return "; ".join(parts)

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "code": self.code,
            "unit": self.unit,
            "kinds": list(self.kinds),
            "load": self.load or None,
            "where": self.where,
            "speaks_for": list(self.speaks_for),
            "speaks_against": list(self.speaks_against),
            "agrees_with": list(self.agrees),
            "contradicts": list(self.contradicts),
            "need_there": None if isnan(self.need) else round(self.need, 2),
            "need_there_unit": "%",
            "standing": self.standing,
        }
