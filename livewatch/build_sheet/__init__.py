"""What differs between the parts calibrated for and the parts fitted, before a wheel turns."""
