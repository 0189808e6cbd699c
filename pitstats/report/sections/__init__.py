"""Sections of the pages: one question a file."""
