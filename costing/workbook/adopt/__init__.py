"""A workbook that a person keeps already: what its sheets are, and the links that say so."""
