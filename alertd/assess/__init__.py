"""Weather and season state in, assessment out; pure."""
