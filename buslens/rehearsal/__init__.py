"""A simulated car makes captures; knows nothing of how they are checked."""
