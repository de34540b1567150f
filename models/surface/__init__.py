"""What a timber's surface is asked for by its air, and whether that will check it."""
