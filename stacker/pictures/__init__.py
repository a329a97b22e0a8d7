"""Files from a camera, read: what it wrote into them. Readers are extras, imported inside."""
