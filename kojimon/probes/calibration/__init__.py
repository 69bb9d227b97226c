"""Bringing a probe to points whose truth is known."""
