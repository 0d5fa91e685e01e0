"""Fits: limits by the ISO tables, which fit suits a purpose, and what a press fit does to the metal."""
