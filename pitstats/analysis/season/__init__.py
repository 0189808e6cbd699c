"""Many studies as one: a season of tests read, matched and estimated together."""
