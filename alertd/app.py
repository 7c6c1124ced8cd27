"""The composition root: settings into working parts."""
