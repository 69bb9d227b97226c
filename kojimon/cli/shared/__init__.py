"""What commands share: the way to a daemon or journal, options and moments as typed, what the screen shows."""
