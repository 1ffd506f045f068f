"""The house plan: one answer for every lot, from one linear programme."""
