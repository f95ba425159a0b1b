"""An invented scenario that runs the main job on simulated tanks."""
