"""A simulated koji incubator: rice in trays, the box, the room, probes with faults, a cook.

It shares no code with the monitor it is used to test: its physics and its moist-air formulas are its own,
so that a mistake made in one of them shows against the other.
"""
