"""Active tests of the link, the measuring side: timed transfers, rounds of latency, and whether this is the moment.
``turn.py`` runs one whole turn of them; ``results.py`` is what comes of it."""
