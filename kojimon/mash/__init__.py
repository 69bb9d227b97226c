"""Quantities: from what the koji is for to every ingredient. Facts with their sources, one linear solver."""
