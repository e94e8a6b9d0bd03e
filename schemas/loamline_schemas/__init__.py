"""Data shapes shared by every layer: models, Arrow schemas, table definitions. No logic, no I/O."""
