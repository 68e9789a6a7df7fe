"""From scans and pressure to wrench and contact events: free-bend model, separation, contact inference, health."""

from soft_tactile_node.estimation.pipeline import Estimator, Step
from soft_tactile_node.estimation.settings import LIGHT, PRESETS, SURE, EstimatorSettings
from soft_tactile_node.estimation.tare import Tare, take_tare

__all__ = ["LIGHT", "PRESETS", "SURE", "Estimator", "EstimatorSettings", "Step", "Tare", "take_tare"]
