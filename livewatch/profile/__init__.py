"""What the user declares about one vehicle: profiles, DBC files, units and formulas."""
