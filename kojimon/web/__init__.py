"""The doors of the daemon: the API over a Unix socket, and a client for it."""
