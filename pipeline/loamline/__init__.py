"""loamline: from a buried probe's radio message to a soil-moisture figure that can be trusted.

`core` is the chain of pure functions, `edges` the I/O round it, `app` the wiring and the commands.
"""
