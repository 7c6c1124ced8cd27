"""Assessments and open episodes in, alerts out; pure."""
