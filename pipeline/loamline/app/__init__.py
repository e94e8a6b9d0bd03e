"""Wiring: settings, commands, the daemon, the demo."""
