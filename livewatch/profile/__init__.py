"""What the user declares about one vehicle: profiles, DBC files, units and formulas.

    profile = load_profile(Path("profiles/brackwell_20t.yaml"))

gives one resolved `Profile`, or raises `MistakesError` with every mistake of every file involved.
"""

from livewatch.profile.load import load_profile, load_profile_text
from livewatch.profile.model import Profile

__all__ = ["Profile", "load_profile", "load_profile_text"]
