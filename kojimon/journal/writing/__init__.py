"""What only the writer does: commits, what waits for one, troubled storage, thinning."""
