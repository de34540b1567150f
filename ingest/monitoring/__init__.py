"""What goes wrong or falls due in a shop, and who is notified."""
