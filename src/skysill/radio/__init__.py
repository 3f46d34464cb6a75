"""Fresnel zone and required room, diffraction, foliage, rain, power density."""
