"""From results to sentences, tables and one self-contained page."""
