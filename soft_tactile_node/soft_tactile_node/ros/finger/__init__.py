"""The parts of the sensor of one finger: stream, estimator, base motion, outputs, health, kept tare."""
