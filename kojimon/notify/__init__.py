"""People are told: what, over which channel, when, in which words, until somebody answers."""
