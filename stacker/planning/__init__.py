"""From a request to a plan: coverage, timeline, storage, advice."""
