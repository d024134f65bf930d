"""Alternatives of a job side by side. In: job folder, what to compare. Out: Comparison, with a plan for each."""
