"""The steps of each use: read, think, write."""
