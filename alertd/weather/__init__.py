"""One module per forecast provider, quality control, fail-over and replay."""
