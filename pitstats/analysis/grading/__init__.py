"""The grade scale, and whether the grading can be trusted."""
