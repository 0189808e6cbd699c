"""What to do next: the study continued from what it knows, and what that advises."""
