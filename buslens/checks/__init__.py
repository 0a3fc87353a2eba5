"""Rules meet timelines."""
