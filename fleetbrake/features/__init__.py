"""From an ``EventBatch`` to feature rows: one row an event, one row an event and wheel, as Arrow tables."""
