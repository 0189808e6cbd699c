"""Where on the grate: maps, patterns, evenness, usable area."""
