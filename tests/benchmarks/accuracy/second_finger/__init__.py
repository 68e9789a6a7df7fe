"""A second finger simulator: other laws than the shipped one.

It is there so that an accuracy figure cannot come from knowing the simulator.

Laws, one a module:

- `chain`: the finger is a chain of rigid links with torsion springs (not a constant-curvature arc), solved by scipy;
- `memory`: hysteresis by a Preisach distribution of relays in Everett form (not play operators, Bouc-Wen or Maxwell
slip),
  creep by a fractional-order (spring-pot) element; both act partly on the bend that really happens, so a held finger
  remembers otherwise than a free one;
- `disc_pad`: disc as magnetised volume elements that act on each other, coils as filament loops by elliptic integrals;
- `metal_pad`: liquid metal as inductively coupled rings with resistance (not a plane-layer integral);
- `laws`, `stepping`: dynamics, pad (quasi-linear viscoelasticity), contact, stick-slip, metal flow; compiled;
- `readout`: resonance counting, noise, drift, clocks, faults.
"""
