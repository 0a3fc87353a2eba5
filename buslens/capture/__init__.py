"""A log file becomes frames."""
