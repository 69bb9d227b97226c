"""Alarms: the life of one alarm, and the limits with their delays and deadbands. Pure."""
