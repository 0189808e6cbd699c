"""What was recorded: tables, their checks, and the files that hold them."""
