"""Valves that keep a pressure: one protocol, a simulated valve and one on a serial port."""
