"""Labels return: tables of what was found."""
