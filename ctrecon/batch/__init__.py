"""Many stacks: found, measured side by side, resumed where they stopped, and their results together."""

from ctrecon.batch.entry import Entry
from ctrecon.batch.measure import measure_all
from ctrecon.batch.stacks import Job, find_jobs, out_names
from ctrecon.batch.together import SUMMARY

__all__ = ["SUMMARY", "Entry", "Job", "find_jobs", "measure_all", "out_names"]
