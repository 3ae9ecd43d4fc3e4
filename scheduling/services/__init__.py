"""Proposing, confirming and undoing a week."""
