"""Pages about weeks."""
