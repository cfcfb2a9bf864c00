"""Database connections that reach nothing but what they were opened for, whatever text comes into a query."""

import sqlite3

import duckdb


def shut(con: duckdb.DuckDBPyConnection, *, lock: bool = True) -> None:
    """No other file, no network, no extension from now on; attach first what is needed. It cannot be undone.

    What does not fit into memory still goes to the temporary folder, and tables of Python come in by ``register``
    alone, no longer by the name of a variable.

    Parameters
    ----------
    lock : no other setting can be changed either; false where models have settings of their own.
    """
    con.execute("SET enable_external_access = false")
    if lock:
        con.execute("SET lock_configuration = true")


def wary(con: sqlite3.Connection) -> None:
    """What a file's own definitions say may call no function that reaches outside: the file may be another's."""
    con.execute("PRAGMA trusted_schema = OFF")
