"""Looks for probes that nobody has named yet, and guesses what they say."""
