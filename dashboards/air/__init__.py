"""Who else is on the air, over the logged days: for the command, its JSON and the report."""
