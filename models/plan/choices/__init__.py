"""What could be done with one timber, side by side."""
