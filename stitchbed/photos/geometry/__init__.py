"""Pose, lens and edges of the work in photographs."""
