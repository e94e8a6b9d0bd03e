"""The DuckDB store: one file, one writing process.

`connection` opens it, `registry` keeps the registry's states, `writer` commits batches, `queries` reads.
Nothing in this process may open, copy or hash the database file itself: POSIX drops DuckDB's lock with it.
"""
