"""candump text."""
