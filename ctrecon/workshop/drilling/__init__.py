"""The drilling plan: set-ups and their order, coordinates, layout by dividers, drills and speeds."""
