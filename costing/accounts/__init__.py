"""What it cost and what is on hand, as answers: costs, stock, where they came from, and whether it all adds up."""
