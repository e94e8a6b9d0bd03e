"""I/O at the edges: the store, MQTT, files. Each module wraps one outside thing."""
