"""What a car says of itself, compared with the session before, in sentences."""

from __future__ import annotations

from livewatch.session.car_record import CarChange
from livewatch.wording.events import code_words

__all__ = ["change_sentence"]


def change_sentence(change: CarChange, session: str) -> str:
    """One sentence; `session` names the session compared with."""
    unit, before, after = change.unit, ", ".join(change.before), ", ".join(change.after)
    match change.kind:
        case "calibration":
            said = f"the calibration was changed since: it was {before}, it is {after}"
        case "calibration contents":
            said = "the calibration was changed since under the same name: its verification number "
            said += f"was {before}, it is {after}"
        case "codes cleared":
            said = f"codes were cleared since: {_codes(change.before)} gone, and monitors began anew"
        case "codes gone":
            said = f"codes are gone since: {_codes(change.before)}"
        case "codes new":
            said = f"codes were stored since: {_codes(change.after)}"
    return f"Control unit {unit}, against session {session}: {said}."


def _codes(codes: tuple[str, ...]) -> str:
    return ", ".join(map(code_words, codes))
