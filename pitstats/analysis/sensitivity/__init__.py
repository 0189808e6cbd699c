"""Would the answer change: the comparison again under every alternative."""
