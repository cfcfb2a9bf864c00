"""Publishing what is new: what a store published before, what changed since, and only the rows that this touches."""
