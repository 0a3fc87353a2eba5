"""Captures become proposals: which bits follow what a person did, what a signal may mean, which limits it keeps."""
