"""Burning explained by place, pit and settings."""
