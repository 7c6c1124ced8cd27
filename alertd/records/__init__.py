"""What the parts hand to each other: frozen, checked, units in the names."""
