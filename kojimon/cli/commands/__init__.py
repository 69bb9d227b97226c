"""One file a command, or two where a command has parts."""
