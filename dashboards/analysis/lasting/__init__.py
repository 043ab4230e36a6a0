"""Does it last: the level, the hours of the day, outages and rates of one version over days and months."""
