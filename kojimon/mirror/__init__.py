"""A copy of the readings in a time-series server that speaks the InfluxDB v2 write protocol. The journal is the truth.

`sender.Mirror` follows the journal's cursor; requests are made by a child process (`child`), one at a time.
"""
