"""Runs that nobody watches: the night and the month, by one configuration file.

``nightly`` and ``monthly`` say what is done; ``run`` is the frame around both: signals, history, log, heartbeat and the
facts for whatever watches. Nothing here prints: the entry points are ``cli_jobs``.
"""
