"""What to buy, in which size and by when."""
