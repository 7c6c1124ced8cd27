"""An invented firm and season, replayed through the real pipeline."""
