"""Tables of decoded channels: CSV, Parquet, MF4."""
