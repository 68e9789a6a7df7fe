"""What a finger is as a sensor: figures of one or many specimens side by side, effects of design, ageing."""
