"""Look vector, orbits, the sun, compass and declination."""
