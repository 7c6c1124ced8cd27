"""Published models: numpy arrays in, arrays out; no clock, no I/O."""
