"""Constants of nature and reference conditions used by every physics module (SI)."""

from __future__ import annotations

import math

MU0_H_M = 4.0e-7 * math.pi
"""Magnetic constant (H/m), the pre-2019 exact value; today's differs by 1e-10 relative. Source: SI before 2019."""

AIR_GAS_CONSTANT = 287.05
"""Specific gas constant of dry air (J/(kg K)). Source: any gas-dynamics text."""

ATMOSPHERE_PA = 101325.0
"""Standard atmosphere (Pa, absolute). Source: NIST SP 811 appendix B (recalled)."""

STANDARD_GRAVITY_M_S2 = 9.80665
"""Standard gravity (m/s^2). Source: NIST SP 811 appendix B (recalled)."""
