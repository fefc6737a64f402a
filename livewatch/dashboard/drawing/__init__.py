"""Drawing on character cells: canvases, large figures and letters, curves. Knows nothing of Textual or of runs."""
