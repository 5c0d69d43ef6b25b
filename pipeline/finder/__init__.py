"""What layout a dump has: what is wrong with a given one, and one found from nothing."""
