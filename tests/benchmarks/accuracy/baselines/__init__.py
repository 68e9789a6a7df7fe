"""What a laboratory would do instead.

Regressions and learners, fitted on the same calibration recordings, and trivial answers.
"""
