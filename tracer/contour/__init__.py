"""Stage 2: coverage to rings at sub-pixel places, and rings to a region."""
