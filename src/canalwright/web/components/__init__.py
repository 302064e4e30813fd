"""Small components drawn in the browser; each is a Python class beside its script."""
