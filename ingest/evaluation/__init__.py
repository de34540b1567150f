"""From a timber's readings to its stored evaluation."""
