"""The canal as it now is, and what one pass of an instrument does to it."""
