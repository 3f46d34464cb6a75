"""Things found in elevation data and footprints: planes of a roof, buildings, trees, hedges, wires."""
