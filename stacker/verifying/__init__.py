"""Is every frame there? The files of a folder held against the journal of a run. Imports no numpy, moves nothing."""
