"""What a bank says came in, and whose it may be. No Django, no database, no clock."""
