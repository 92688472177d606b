"""The report of a tune as one self-contained page: its content, its figures, its template."""
