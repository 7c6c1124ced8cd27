"""The trade's figures as TOML, each with unit and source, and their loader."""
