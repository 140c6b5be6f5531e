"""Real wiki engines on loopback, started from the Debian packages."""
