"""Frames become what was asked and what was answered."""
