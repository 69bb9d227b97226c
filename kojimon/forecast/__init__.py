"""What the bed will do: growth and heat of the koji, fitted online to one batch.

`answers` and `words` are plain records and text and load no numpy; the rest does and runs in a child process.
"""
