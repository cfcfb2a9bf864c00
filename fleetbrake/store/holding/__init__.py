"""Legal holds: what is frozen, and the copies of its recordings."""
