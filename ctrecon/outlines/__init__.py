"""Sub-pixel outlines of metal, plane by plane, and their stretches through depth."""
