"""What to do: prices, channels, hold or release, and the other decisions that rest on the costs."""
