"""Beyond one machine: sealed segments of the raw log, and the same chain over them, a bucket at a time.

`shipping` writes segments and the registry where other machines can read them, `deriving` makes readings of them
anywhere, `engines` says who does the work.
"""
