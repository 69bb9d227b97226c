"""A batch looked at afterwards: its figures, its sheet, its report, and how it differs from others."""
