"""What else is on the air: the networks that are watched, and the daemon's job that keeps what scans have heard."""
