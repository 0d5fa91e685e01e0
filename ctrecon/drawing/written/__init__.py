"""A finished sheet as a file: SVG, PDF, PNG, DXF."""
