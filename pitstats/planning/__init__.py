"""Before the fire: how much is enough, in which places, and what to carry outside."""
