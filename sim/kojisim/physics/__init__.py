"""Bed, box and room physics in plain Python, SI units, advanced in fixed small steps."""
