"""The clock, its supervisor and the health endpoint."""
