"""What the pictures of a run show: light, settings; records that say what was found and what cannot be told."""
