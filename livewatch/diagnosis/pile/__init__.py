"""Many recordings in one go: what is in a folder, a row for each, on many cores or machines, as a table."""
