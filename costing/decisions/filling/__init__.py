"""What to fill in spring, how much reserve to keep, what to buy and sell: views of the house plan with free tirages."""
