"""Self-contained report pages: words first, figures with units and uncertainty, then plots."""
