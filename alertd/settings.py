"""TOML, environment and secret files into one frozen settings object, read once."""
