"""Calibration: what a rig and a rail really do, from readings at the bench, each value with its uncertainty."""
