"""What changed between two drives, in words: how each system turned, and the whole."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["TURN_SENTENCES", "WHOLE_SENTENCES"]

WHOLE_SENTENCES: Mapping[str, str] = {
    "fixed": "Fixed: what was wrong in the earlier drive is right in the later one, as far as both were driven.",
    "better": "Better, but not fixed: less is wrong than before, and something still is.",
    "same": "The same: nothing differs beyond what weather, fuel and another road make.",
    "worse": "Worse: something is further from right than before.",
    "cannot say": "It cannot be said: the two drives do not have enough in common.",
}
TURN_SENTENCES: Mapping[str, str] = {
    "fixed": "was wrong, is right now",
    "better": "closer to right than before, but not right",
    "same": "no difference beyond what is everyday",
    "worse": "further from right than before",
    "uncovered": "further from right than before, for what worked against it is gone; nothing new is wrong",
    "cannot say": "not seen enough in both drives",
}
