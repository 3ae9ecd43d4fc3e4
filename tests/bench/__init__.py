"""Figures of speed and memory: `make bench`, or one subject alone by `python -m tests.bench.<subject>`."""
