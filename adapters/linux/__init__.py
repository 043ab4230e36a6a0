"""Linux: the adapter, and what it reads: netlink, nl80211, the scan cache, surveys, rules, rfkill."""
