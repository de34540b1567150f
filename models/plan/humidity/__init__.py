"""The humidity that dries green stock without checks and leaves finished work alone."""
