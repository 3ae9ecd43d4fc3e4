"""Planners that are measured side by side: each gets a week file and seconds, and answers with a plan."""
