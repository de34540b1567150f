"""What a person meets: the pages and the command line."""
