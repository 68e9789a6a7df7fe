"""Pad design studies: what a pad would give before anything is cast."""

from soft_tactile_node.design.run import Result, evaluate, rank, run_study
from soft_tactile_node.design.schema import Design, Study
from soft_tactile_node.design.study_file import Case, load_study, parse_study

__all__ = ["Case", "Design", "Result", "Study", "evaluate", "load_study", "parse_study", "rank", "run_study"]
