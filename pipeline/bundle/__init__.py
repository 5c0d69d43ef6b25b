"""A de-identified, self-describing, checksummed dataset made of the results of a study."""
