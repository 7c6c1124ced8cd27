"""Weather-driven spider-mite alerts for people who look after ornamentals."""

__version__ = "0.1.0"
