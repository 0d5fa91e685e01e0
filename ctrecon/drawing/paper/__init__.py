"""What stands on a page, without knowing what it shows: items, letters, places, symbols, contours."""
