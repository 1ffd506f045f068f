"""What was spent: purchases, direct costs, rates, dry goods, pools and press splits, laid onto lot-states."""
