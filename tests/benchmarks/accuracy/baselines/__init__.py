"""What a laboratory would do instead: regressions and learners, fitted on the same calibration recordings, and trivial answers."""
