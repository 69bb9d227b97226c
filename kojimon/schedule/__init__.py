"""Schedules: stages, bands, tasks, windows, gates and the moments they hang on."""
