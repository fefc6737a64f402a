"""The main screen, and those that come up over it."""
