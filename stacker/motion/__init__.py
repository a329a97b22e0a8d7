"""Motion: micrometres to whole microsteps, and how long a move takes."""
