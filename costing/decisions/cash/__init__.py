"""Cash month by month, what is owed and owing, and what the stock will bear of debt."""
