"""Documents that leave and enter the program: JSON with units in its keys, written atomically."""
