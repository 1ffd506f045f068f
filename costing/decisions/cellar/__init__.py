"""What to do with wine not bottled yet: vats and reserves, blends, recipes."""
