"""How often each check blames a healthy probe, and how many faults it finds: a labelled synthetic year."""
