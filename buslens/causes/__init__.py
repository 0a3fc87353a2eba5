"""Findings become causes: what would explain a capture, and which measurement tells the causes apart."""
