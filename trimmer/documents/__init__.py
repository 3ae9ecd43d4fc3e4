"""Papers about facts, set by typst."""
