"""From a plan to a run on a rail: runner, journal, stops, dry run. Imports no numpy."""
