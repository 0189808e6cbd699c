"""Data that others can check: a study packed with its results, and verified again."""
