"""The parts of a sheet: views, sections, details, tables, notes and title."""
