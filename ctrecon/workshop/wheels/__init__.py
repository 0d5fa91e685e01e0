"""Toothed wheels in the workshop: trains, and what is needed to make one."""
