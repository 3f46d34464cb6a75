"""Survey record and field sheet, as HTML and PDF."""
