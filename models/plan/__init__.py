"""Plans: what humidity to hold, what size to saw, what to buy."""
