"""The canal and its curvature, as nouns that compute nothing about images or instruments."""
