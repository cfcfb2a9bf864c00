"""Reading recordings on other machines, by the workers of a Dask cluster: the optional extra ``cluster``.

The unit is a file. Workers get addresses and small things, read the files themselves, and put the rows where the store
takes them from; the log is committed here, under the writer's lock.
"""
