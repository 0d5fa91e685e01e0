"""Toothed wheels: counts with their doubt, how a rim was divided, trains, and what is needed to make one."""
