"""Placement, evidence, clearance, confidence, verdict, cautions; pipeline.py strings them together."""
