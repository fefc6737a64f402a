"""Drawing on character cells: sheets, large figures and letters, curves. Knows nothing of Textual or of runs."""
