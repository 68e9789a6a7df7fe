"""Physics of pads, coils, chambers and fingers: one phenomenon a module, the formula apart from its wrapper."""
