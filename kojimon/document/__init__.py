"""Strict YAML with line numbers: a file is described once, and read, checked and documented from that description."""
