"""What the timbers of a yard teach each other."""
