"""Which settings are good enough: probability of meeting every requirement, and the window."""
