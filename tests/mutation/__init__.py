"""How much the tests notice: small changes are put into a copy of the sources, one at a time."""
