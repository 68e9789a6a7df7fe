"""Grasping code: `python -m soft_tactile_node.examples.pick_gently`, `sort_by_compliance`, `stop_on_slip`.

They need the gripper's nodes running (real or simulated) and nothing but public topics, actions and services.
Examples, not products: read shared/docs/safety.md before something real moves.
"""
