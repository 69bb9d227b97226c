"""The journal: one SQLite file, the truth. One writer thread, short readers, cursors for everything downstream."""
