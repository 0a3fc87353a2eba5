"""Samples become states in time."""
