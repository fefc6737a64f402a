"""The language of formulas and conditions: text in, checked against units and channels, evaluated over ticks."""
