"""A batch as a drawing: the sheet, and the small picture for messages."""
