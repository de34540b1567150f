"""What a plan is made of, gathered from the shop."""
