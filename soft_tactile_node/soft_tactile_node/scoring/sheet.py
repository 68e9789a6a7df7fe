"""A score as text for people: every figure with its unit, what is wanted, and why one is missing."""

from __future__ import annotations

from soft_tactile_node.scoring.figures import AXES, FINITE_SHARE, Score
from soft_tactile_node.scoring.verdict import WITHIN_2_SIGMA

WANTED = {
    **{f"finite_share_{axis}": f"at least {FINITE_SHARE:.1%} where observed" for axis in AXES},
    "within_2_sigma_contact": f"{WITHIN_2_SIGMA[0]:g} to {WITHIN_2_SIGMA[1]:g}",
    "within_2_sigma_free": "at least 0.95",
    "wrong_force_max_s": "0",
}

_UNITS = (("_percent_fs", "% of full scale"), ("_per_min", "1/min"), ("_db", "dB"), ("_n", "N"), ("_s", "s"))


def format_score(score: Score) -> str:
    """Return a `score` as text, a line a figure: name, value, unit and remark, or "not computed: needs …"."""
    lines = []
    for key, value in score.figures.items():
        if value is None:
            lines.append(f"{key:<27} not computed: {score.reasons[key]}")
            continue
        number = str(value) if isinstance(value, int) else f"{value:.4g}"
        unit = next((unit for ending, unit in _UNITS if key.endswith(ending)), "")
        lines.append(f"{key:<27} {number:>9} {unit:<15} {_remark(score, key)}".rstrip())
    lines += _details(score)
    return "\n".join(lines)


def _remark(score: Score, key: str) -> str:
    for k, axis in enumerate(AXES):
        if key == f"nees_{axis}":
            low, high = score.honesty.nees_band[k]
            return f"(want 0.7 to 1.4; an honest estimator lies in {low:.2f} to {high:.2f} for this many samples)"
        if key == f"force_{axis}_contact_rmse_n":
            return f"(a constant zero: {score.force.zero_contact_rmse_n[k]:.4g} N)"
    if key in WANTED:
        return f"(want {WANTED[key]})"
    return ""


def _details(score: Score) -> list[str]:
    """Return what belongs beside the figures but has no name of its own."""
    lines = [f"rows with a flag: {score.force.flagged_share:.2%}"]
    for k, axis in enumerate(AXES):
        sigma, error = score.honesty.free_sigma_n[k], score.honesty.free_error_n[k]
        if sigma == sigma and error == error:
            lines.append(
                f"contact-free, axis {axis}: stated {sigma:.4g} N rms, true error {error:.4g} N rms "
                "(want stated <= 2 x true)"
            )
    return lines
