"""Complete elliptic integrals by the arithmetic-geometric mean, arranged so that nothing cancels.

All functions take the complementary modulus k' = sqrt(1 - m) beside the parameter m = k^2, so that both ends
(m -> 0, far apart; m -> 1, nearly touching) keep full precision.
"""

from __future__ import annotations

import math

from soft_tactile_node.compiled import compiled


@compiled
def elliptic_sums(m: float, kc: float) -> tuple[float, float]:
    """Return K(m) and the tail S = sum over n >= 1 of 2^(n-1) c_n^2 of the arithmetic-geometric mean.

    With c_0^2 = m the integrals follow without cancellation: E = K (1 - m/2 - S), K - E = K (m/2 + S) and
    (2 - m) E - 2 (1 - m) K = K (m^2/2 - (2 - m) S).

    Parameters
    ----------
    m : float
        Parameter k^2, 0 <= m < 1 (1).
    kc : float
        Complementary modulus sqrt(1 - m), 0 < kc <= 1 (1); given apart so that m near 1 loses nothing.

    Returns
    -------
    tuple of float
        K (1) and S (1).

    Notes
    -----
    Source: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), section 17.6 (recalled).
    """
    a = 0.5 * (1.0 + kc)
    b = math.sqrt(kc)
    c = m / (2.0 * (1.0 + kc))  # (1 - kc)/2 written without the difference
    tail = c * c
    power = 1.0
    while c > 1.0e-9 * a:  # the next c is this one squared
        a, b = 0.5 * (a + b), math.sqrt(a * b)
        c = c * c / (4.0 * a)
        power *= 2.0
        tail += power * c * c
    return math.pi / (2.0 * a), tail
