"""Checks a bundle, offline, without the study; writes nothing and reads nothing outside it."""
