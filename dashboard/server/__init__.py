"""The page server's process, who may see it, and the open shop behind it."""
