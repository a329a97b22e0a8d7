"""Files from a camera: as arrays, whether they are whole, and what it wrote into them. Readers are extras."""
