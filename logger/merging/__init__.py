"""Another machine's log taken in: looked through, then each sample and tag once."""
