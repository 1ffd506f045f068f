"""Money by the day on which it is paid, loans and what the stock will bear of them."""
