"""What the record gives to draw: features placed in the part frame, their rows and figures."""
