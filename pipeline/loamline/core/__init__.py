"""The chain: pure functions over columns. No database, network, clock or logger."""
