"""One thing was changed and the pit baked again: whether it helped."""
