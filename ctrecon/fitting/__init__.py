"""Shapes fitted to outlines and to grey values, each with its covariance."""
