"""Scores of an estimate against the truth; every figure has one exact definition."""

from soft_tactile_node.scoring.figures import FULL_SCALE_N, KEYS, Figures, Score, score

__all__ = ["FULL_SCALE_N", "KEYS", "Figures", "Score", "score"]
