"""How wine moved: losses, names as integers, order within a day, lot-states and their balance."""
