-- The log, schema 4: what the link can carry, and what else is on the air. Probes and scans carry no tag of their own:
-- they belong to the period of their source that holds their time, so that every edit of the timeline moves them, too.

-- How a sample was come by: the sum of 1 (a probe's traffic ran since the sample before), 2 (no frame has refreshed the
-- transmit rate since then), 4 (none the receive rate). NULL: none of these. See logger/blocks.py.
ALTER TABLE sample ADD COLUMN flags INTEGER;

-- Samples taken while a probe ran count for the time covered and for drop-outs, and for nothing else.
ALTER TABLE block ADD COLUMN probing_n INTEGER NOT NULL DEFAULT 0;
ALTER TABLE block ADD COLUMN tx_rate_stale_n INTEGER NOT NULL DEFAULT 0;
ALTER TABLE block ADD COLUMN rx_rate_stale_n INTEGER NOT NULL DEFAULT 0;

-- One active test of the link: timed transfers and rounds of latency. It is there before its traffic begins.
CREATE TABLE probe (
    id INTEGER PRIMARY KEY,
    source_id INTEGER NOT NULL DEFAULT 1 REFERENCES source (id),
    started_at_utc_ms INTEGER NOT NULL,
    ended_at_utc_ms INTEGER,                -- NULL: it runs, or ended without a word
    link_id INTEGER NOT NULL DEFAULT 0 REFERENCES link (id),  -- the radio that it ran over from beginning to end, else 0
    far_end TEXT NOT NULL,                  -- whom it spoke to, '' where it was not reached
    outcome TEXT NOT NULL CHECK (outcome IN ('running', 'done', 'failed', 'link-changed', 'stepped-aside')),
    words TEXT NOT NULL DEFAULT '',         -- why it failed or stepped aside
    CHECK (ended_at_utc_ms >= started_at_utc_ms),
    UNIQUE (source_id, started_at_utc_ms)
) STRICT;

-- One timed transfer over TCP, seen from this laptop.
CREATE TABLE transfer (
    probe_id INTEGER NOT NULL REFERENCES probe (id) ON DELETE CASCADE,
    direction TEXT NOT NULL CHECK (direction IN ('down', 'up')),
    streams INTEGER NOT NULL CHECK (streams >= 1),
    started_at_utc_ms INTEGER NOT NULL,
    duration_ms INTEGER NOT NULL,
    bytes INTEGER NOT NULL,                 -- of payload, slow start included
    steady_ms INTEGER,                      -- without slow start; NULL: it never got beyond
    steady_bytes INTEGER,
    goodput_mbps REAL,                      -- steady_bytes over steady_ms
    tcp_rtt_ms REAL,                        -- the kernel's smoothed round-trip time at the end (TCP_INFO), of what came or went
    tcp_retransmits INTEGER,                -- segments that this laptop sent again; NULL down, where it sends none
    PRIMARY KEY (probe_id, direction, streams)
) STRICT, WITHOUT ROWID;

-- One round of latency: requests sent one after another, and how long each answer took.
CREATE TABLE latency (
    probe_id INTEGER NOT NULL REFERENCES probe (id) ON DELETE CASCADE,
    target TEXT NOT NULL CHECK (target IN ('gateway', 'far-end')),
    load TEXT NOT NULL CHECK (load IN ('idle', 'down', 'up')),  -- the transfer that ran meanwhile
    method TEXT NOT NULL CHECK (method IN ('icmp', 'tcp-connect')),
    n_sent INTEGER NOT NULL CHECK (n_sent >= 1),
    n_lost INTEGER NOT NULL CHECK (n_lost BETWEEN 0 AND n_sent),
    median_ms REAL,                         -- of those answered; NULL: none was
    p95_ms REAL,
    jitter_ms REAL,                         -- packet delay variation: 95 % point less minimum (RFC 5481, 4.2)
    PRIMARY KEY (probe_id, target, load)
) STRICT, WITHOUT ROWID;

-- The networks whose radios are to be heard on all bands: a name, or one radio's address.
CREATE TABLE watched (
    id INTEGER PRIMARY KEY,
    ssid BLOB,
    bssid TEXT,
    since_utc_ms INTEGER NOT NULL,
    CHECK ((ssid IS NULL) <> (bssid IS NULL))
) STRICT;
CREATE UNIQUE INDEX watched_once ON watched (ifnull(ssid, ''), ifnull(bssid, ''));

-- One radio of an access point, as its beacons describe it. What they say anew is another row.
CREATE TABLE radio (
    id INTEGER PRIMARY KEY,
    bssid TEXT NOT NULL,
    ssid BLOB,                              -- NULL: it hides its name
    ssid_text TEXT,                         -- for people: undecodable bytes as \xNN
    band TEXT CHECK (band IN ('2.4', '5', '6')),  -- GHz
    frequency_mhz INTEGER NOT NULL,         -- of the primary 20 MHz channel
    center_mhz REAL,                        -- of the whole channel
    width_mhz INTEGER,
    country TEXT,                           -- of the Country element, two letters
    country_max_dbm INTEGER,                -- its limit on this channel
    power_constraint_db INTEGER             -- how far below that stations stay
) STRICT;
-- A text '' is no blob: it stands for none.
CREATE UNIQUE INDEX radio_identity ON radio (
    bssid, frequency_mhz, ifnull(ssid, ''), ifnull(center_mhz, 0), ifnull(width_mhz, 0), ifnull(country, ''),
    ifnull(country_max_dbm, -999), ifnull(power_constraint_db, -999)
);

-- One look at what the wireless card has heard.
CREATE TABLE scan (
    id INTEGER PRIMARY KEY,
    source_id INTEGER NOT NULL DEFAULT 1 REFERENCES source (id),
    time_utc_ms INTEGER NOT NULL,
    active INTEGER NOT NULL CHECK (active IN (0, 1)),  -- 1: linktrial asked for it; 0: what others' scans had left
    everyone INTEGER NOT NULL CHECK (everyone IN (0, 1)),  -- 1: all radios heard are in sighting; 0: those watched
    UNIQUE (source_id, time_utc_ms)
) STRICT;

-- One radio heard. A beacon that an earlier scan has told of is not told again.
CREATE TABLE sighting (
    scan_id INTEGER NOT NULL REFERENCES scan (id) ON DELETE CASCADE,
    radio_id INTEGER NOT NULL REFERENCES radio (id),
    age_ms INTEGER NOT NULL CHECK (age_ms >= 0),  -- between its last beacon and the scan's time
    rssi_dbm REAL,
    station_count INTEGER,                  -- of the BSS Load element, with the next
    busy_permille INTEGER,                  -- the channel as the access point finds it
    PRIMARY KEY (scan_id, radio_id)
) STRICT, WITHOUT ROWID;

-- What a visit to a channel found, where the card counts; during a scan it visits others than its own.
CREATE TABLE visit (
    scan_id INTEGER NOT NULL REFERENCES scan (id) ON DELETE CASCADE,
    frequency_mhz INTEGER NOT NULL,
    noise_dbm INTEGER,
    active_ms INTEGER,                      -- time spent there
    busy_ms INTEGER,                        -- part of it in which the channel was busy
    PRIMARY KEY (scan_id, frequency_mhz)
) STRICT, WITHOUT ROWID;

-- The public faces. Columns are only ever added.
DROP VIEW IF EXISTS tagged_sample;
CREATE VIEW tagged_sample AS
SELECT
    strftime('%Y-%m-%dT%H:%M:%fZ', sample.time_utc_ms / 1000.0, 'unixepoch') AS time_utc,
    location.name AS location,
    ifnull(placement.name, placement.number) AS placement,
    'v' || period.config_version AS config_version,
    link.band AS band,
    link.frequency_mhz AS frequency_mhz,
    link.width_mhz AS width_mhz,
    link.bssid AS bssid,
    link.ssid_text AS ssid,
    link.connected AS connected,
    sample.rssi_dbm AS rssi_dbm,
    sample.rssi_avg_dbm AS rssi_avg_dbm,
    sample.beacon_rssi_avg_dbm AS beacon_rssi_avg_dbm,
    sample.noise_dbm AS noise_dbm,
    tx_rate.mbps AS tx_rate_mbps,
    rx_rate.mbps AS rx_rate_mbps,
    tx_rate.phy_mode AS tx_phy_mode,
    tx_rate.mcs AS tx_mcs,
    tx_rate.streams AS tx_streams,
    rx_rate.phy_mode AS rx_phy_mode,
    rx_rate.mcs AS rx_mcs,
    rx_rate.streams AS rx_streams,
    sample.tx_packets AS tx_packets,
    sample.tx_retries AS tx_retries,
    sample.tx_failed AS tx_failed,
    sample.beacon_losses AS beacon_losses,
    sample.busy_permille / 1000.0 AS busy_share,
    sample.rx_bytes AS rx_bytes,
    sample.tx_bytes AS tx_bytes,
    sample.time_utc_ms AS time_utc_ms,
    period.id AS period_id,
    link.interface AS interface,
    ifnull(sample.flags & 1, 0) AS during_probe,
    ifnull(sample.flags & 2, 0) > 0 AS tx_rate_stale,
    ifnull(sample.flags & 4, 0) > 0 AS rx_rate_stale
FROM period
-- CROSS JOIN keeps this order: first the few periods that a question is about, then their samples by id.
CROSS JOIN placement ON placement.id = period.placement_id
CROSS JOIN location ON location.id = placement.location_id
CROSS JOIN sample ON sample.id >= period.id << 46 AND sample.id < period.id + 1 << 46
CROSS JOIN link ON link.id = sample.link_id
LEFT JOIN rate AS tx_rate ON tx_rate.id = sample.tx_rate_id
LEFT JOIN rate AS rx_rate ON rx_rate.id = sample.rx_rate_id;

CREATE VIEW tagged_probe AS
SELECT
    strftime('%Y-%m-%dT%H:%M:%fZ', probe.started_at_utc_ms / 1000.0, 'unixepoch') AS time_utc,
    location.name AS location,
    ifnull(placement.name, placement.number) AS placement,
    'v' || period.config_version AS config_version,
    link.band AS band,
    link.frequency_mhz AS frequency_mhz,
    link.width_mhz AS width_mhz,
    link.bssid AS bssid,
    link.ssid_text AS ssid,
    probe.far_end AS far_end,
    probe.outcome AS outcome,
    probe.words AS words,
    probe.started_at_utc_ms AS started_at_utc_ms,
    probe.ended_at_utc_ms AS ended_at_utc_ms,
    period.id AS period_id,
    probe.id AS probe_id
FROM probe
JOIN period ON period.source_id = probe.source_id AND period.started_at_utc_ms <= probe.started_at_utc_ms
    AND (period.ended_at_utc_ms IS NULL OR period.ended_at_utc_ms > probe.started_at_utc_ms)
JOIN placement ON placement.id = period.placement_id
JOIN location ON location.id = placement.location_id
JOIN link ON link.id = probe.link_id;

CREATE VIEW tagged_sighting AS
SELECT
    strftime('%Y-%m-%dT%H:%M:%fZ', scan.time_utc_ms / 1000.0, 'unixepoch') AS time_utc,
    location.name AS location,
    ifnull(placement.name, placement.number) AS placement,
    'v' || period.config_version AS config_version,
    radio.band AS band,
    radio.frequency_mhz AS frequency_mhz,
    radio.width_mhz AS width_mhz,
    radio.bssid AS bssid,
    radio.ssid_text AS ssid,
    sighting.rssi_dbm AS rssi_dbm,
    sighting.age_ms AS age_ms,
    sighting.station_count AS station_count,
    sighting.busy_permille / 1000.0 AS busy_share,
    scan.time_utc_ms AS time_utc_ms,
    period.id AS period_id
FROM scan
JOIN period ON period.source_id = scan.source_id AND period.started_at_utc_ms <= scan.time_utc_ms
    AND (period.ended_at_utc_ms IS NULL OR period.ended_at_utc_ms > scan.time_utc_ms)
JOIN placement ON placement.id = period.placement_id
JOIN location ON location.id = placement.location_id
JOIN sighting ON sighting.scan_id = scan.id
JOIN radio ON radio.id = sighting.radio_id;
