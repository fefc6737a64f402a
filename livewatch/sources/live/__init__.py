"""Live buses, through any python-can interface."""
