"""What to do: prices, margins, hold or release, blends, what-if, closing."""
