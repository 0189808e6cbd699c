"""How often each pit burns, and which burns more."""
