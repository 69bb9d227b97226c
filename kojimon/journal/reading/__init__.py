"""Readers of the journal: queries, rows, exports, curve files."""
