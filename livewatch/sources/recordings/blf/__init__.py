"""BLF files."""
