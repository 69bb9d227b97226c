"""A batch in figures: from its events and readings alone, in hours, °C, % and K."""
