"""The action `calibrate`: leads a finger through its calibration on the robot and fits it in a process of its own."""
