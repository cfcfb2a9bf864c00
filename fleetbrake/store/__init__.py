"""The store folder: the lake of feature rows, the log of files, registers, and the published database.

The only place that opens databases. Layout of a store ``DIR``::

    fleet.duckdb                     published by atomic rename; readers open it read-only
    lake/events/<key>.parquet        feature rows, one piece an input file
    lake/event_wheels/<key>.parquet
    lake/blocks/<block>.*.parquet    the rows of many pieces; lake/blocks.parquet says which piece is where
    lake/log.parquet                 the commit record: a piece that it does not name does not exist
    registers/<name>.parquet
    entered.sqlite                   what people enter, append-only; several processes may write it
    store.lock                       held by the one run that writes
"""
