"""kojimon: a koji incubation monitor daemon. It watches, forecasts and calls; it never drives a heater."""

__version__ = "0.1.0"
