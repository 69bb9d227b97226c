"""The other side of the local door: what commands ask a running daemon."""
