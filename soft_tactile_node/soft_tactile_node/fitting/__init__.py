"""The fit of a guided calibration, in a process of its own: recordings in, calibration and report out."""
