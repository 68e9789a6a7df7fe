"""The bench protocol of a calibration: what to record, in words and as paths, and the guided way through it."""
