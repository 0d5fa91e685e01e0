"""Slices on disk, read as one stack: order, gaps, scale and handedness made plain."""

from ctrecon.slices.readers.folder import stack_paths
from ctrecon.slices.stack import Note, SliceStack, as_stack, open_stack

__all__ = ["Note", "SliceStack", "as_stack", "open_stack", "stack_paths"]
