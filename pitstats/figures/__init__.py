"""Results in, pictures out; nothing is estimated here."""
