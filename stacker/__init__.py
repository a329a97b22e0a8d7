"""Plan a focus stack from real optics, and shoot it on a stepper rail."""

__version__ = "0.1.0"
