"""Sentences of the sections that are not data yet."""
