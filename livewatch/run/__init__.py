"""The one path from frames to events, and what drives it: live buses, replays, whole recordings."""
