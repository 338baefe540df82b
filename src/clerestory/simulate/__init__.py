"""A scene and a camera in, raw frames out: the demo, the tests' ground truth, the plan's preview."""
