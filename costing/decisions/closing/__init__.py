"""A year closed, its later edits, and the workbook of the next."""
