"""Recordings of frames: one reader a format, behind one registry."""
