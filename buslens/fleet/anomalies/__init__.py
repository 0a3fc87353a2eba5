"""What stands out in a fleet though no rule forbids it."""
