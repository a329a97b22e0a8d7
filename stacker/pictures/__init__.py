"""Files from a camera: whether they are whole, and what it wrote into them. Readers are extras, imported inside."""
