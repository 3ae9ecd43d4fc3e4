"""Tables as people write them: reading, understanding and writing sheets. No Django, no database, no clock."""
