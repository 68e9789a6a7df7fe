"""What every node stands on: guarded lifecycle, process and signals, late answers, waits that end."""
