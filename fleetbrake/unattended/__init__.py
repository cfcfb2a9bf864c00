"""Runs that nobody watches: the night and the month, by one configuration file."""
