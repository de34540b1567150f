"""What the pages ask the shop."""
