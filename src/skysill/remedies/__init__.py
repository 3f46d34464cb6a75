"""What would turn a verdict into clear: raise, move, trim, each proved by a full assessment."""
