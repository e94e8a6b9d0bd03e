"""The plausibility checks, one module each: columns in, QARTOD flags out."""
