"""Anything becomes readable."""
