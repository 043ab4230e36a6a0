"""Probes of what the link can carry: when they run, when they step aside, and into which rows they go."""
