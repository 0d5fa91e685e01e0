"""What is left of a toothed rim: how many teeth it had, with odds, and how it was divided. Angles in, no data."""
