"""A DBC becomes signal layouts, and payloads become values."""
