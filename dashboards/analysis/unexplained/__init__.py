"""Changes that nobody wrote down: the search, what it searches in, and what was seen beside them."""
