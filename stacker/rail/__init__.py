"""The rail: link, dialects, moves with limits, shutter, and the simulated rail."""
