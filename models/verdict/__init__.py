"""Leave, rough out or square: when, how sure, and what would change it."""
