"""Study in, result out: one question a file."""
