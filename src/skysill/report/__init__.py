"""Field sheet and survey record: as data, as text, and as HTML and PDF files."""
