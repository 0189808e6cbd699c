"""The commands, one a file: parse, read, one library call, write."""
