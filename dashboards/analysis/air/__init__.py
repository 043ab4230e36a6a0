"""Channels: how they overlap, how full they are over days, and whether another is better."""
