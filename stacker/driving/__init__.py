"""From a plan to a run on a rail: runner, journal, dry run, verification. Imports no numpy."""
