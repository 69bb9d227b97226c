"""A cook's words for states, tasks, alarms and events: the one place for page, terminal and messages. Pure."""
