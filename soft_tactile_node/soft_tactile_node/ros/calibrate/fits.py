"""The result of a guided calibration in the words of its action."""

from __future__ import annotations

from pathlib import Path

from soft_tactile_msgs.action import Calibrate

from soft_tactile_node.fitting.calibration_fit import CalibrationFit


def to_result(fit: CalibrationFit) -> Calibrate.Result:
    """Return the result of a finished fit."""
    assert fit.summary is not None
    figures, notes = fit.summary["figures"], fit.not_identified
    said = f"written {fit.target}, with {', '.join(Path(path).name for path in fit.summary['files'])}"
    return Calibrate.Result(
        success=True,
        message=said + (f"; not identified: {'; '.join(notes)}" if notes else ""),
        path=str(fit.target),
        calibration_id=fit.summary["calibration_id"],
        figure_names=list(figures),
        figures=[float(value) for value, _, _ in figures.values()],
        figure_uncertainties=[float(uncertainty) for _, uncertainty, _ in figures.values()],
        figure_units=[unit for _, _, unit in figures.values()],
    )
