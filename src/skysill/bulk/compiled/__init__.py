"""Compiled loops (numba, the extra `fast`) that screen many places over one or several rasters."""
