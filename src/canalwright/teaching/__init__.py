"""Teaching: practice blocks with a canal of any shape, for printing and for measuring again."""
