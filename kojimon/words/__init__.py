"""A cook's words for states, steps, alarms and events: the one place for page, terminal and messages. Pure."""
