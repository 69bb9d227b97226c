"""Schedules: stages, bands, steps, windows, gates and the moments they hang on."""
