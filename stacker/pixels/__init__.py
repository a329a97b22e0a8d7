"""What arrays of pixels say: lines, textures, edges, as numbers with units; no files, no plans."""
