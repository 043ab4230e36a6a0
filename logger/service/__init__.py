"""The logger as a service of the system: what is written where, per platform; how it is put there and taken away."""
