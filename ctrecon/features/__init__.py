"""Shapes followed through depth: the features of the part, with size, place, ends and axis."""
