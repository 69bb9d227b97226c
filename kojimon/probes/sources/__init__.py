"""Where readings come from: one class a kind, and the worker most of them are built on."""
