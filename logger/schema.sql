-- The log, schema 1. Times are milliseconds since 1970-01-01 UTC. NULL means unknown.

-- Who recorded: this machine's own logger (id 1), or one imported recording of one spot.
CREATE TABLE source (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('logger', 'import')),
    name TEXT NOT NULL,
    added_at_utc_ms INTEGER NOT NULL
) STRICT;
INSERT INTO source VALUES (1, 'logger', 'this machine', strftime('%s', 'now') * 1000);

CREATE TABLE location (
    id INTEGER PRIMARY KEY AUTOINCREMENT,   -- an undone edit may come back to an id: none is used twice
    name TEXT NOT NULL UNIQUE CHECK (length(name) BETWEEN 1 AND 80)
) STRICT;

-- One setting-down of the laptop at a location.
CREATE TABLE placement (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    location_id INTEGER NOT NULL REFERENCES location (id),
    number INTEGER NOT NULL,                -- 1, 2, ... at its location
    name TEXT,                              -- as an imported file calls it
    UNIQUE (location_id, number)
) STRICT;

-- One state of the router: v1, v2, ...
CREATE TABLE config_version (
    number INTEGER PRIMARY KEY CHECK (number >= 1),
    label TEXT NOT NULL,
    settings TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(settings)),  -- full state, {"antenna.5.gain_dbi": 5}
    notes TEXT NOT NULL DEFAULT ''
) STRICT;

-- The timeline. The periods of one source tile the time: each ends where the next begins.
CREATE TABLE period (
    id INTEGER PRIMARY KEY AUTOINCREMENT CHECK (id BETWEEN 1 AND 131070),  -- 17 bits of sample.id
    source_id INTEGER NOT NULL REFERENCES source (id),
    placement_id INTEGER NOT NULL REFERENCES placement (id),
    config_version INTEGER NOT NULL REFERENCES config_version (number),
    started_at_utc_ms INTEGER NOT NULL,
    ended_at_utc_ms INTEGER,                -- NULL: still open
    time_zone TEXT NOT NULL,                -- IANA name, the local zone when the period began
    UNIQUE (source_id, started_at_utc_ms),
    CHECK (ended_at_utc_ms > started_at_utc_ms)
) STRICT;

-- One edit of the timeline, and what to put back to undo it.
CREATE TABLE edit (
    id INTEGER PRIMARY KEY,
    made_at_utc_ms INTEGER NOT NULL,
    words TEXT NOT NULL,                    -- as said on the command line: at "bench by the window"
    change TEXT NOT NULL CHECK (json_valid(change)),
    undone_at_utc_ms INTEGER
) STRICT;

-- One radio the laptop was on, as seen through one interface. Id 0 stands for "no link"; an imported
-- recording of several bands may have a "no link" of its own for each band.
CREATE TABLE link (
    id INTEGER PRIMARY KEY,
    connected INTEGER NOT NULL DEFAULT 1 CHECK (connected IN (0, 1)),
    interface TEXT,
    ssid BLOB,                              -- 0 to 32 bytes of anything
    ssid_text TEXT,                         -- the same for people: undecodable bytes as \xNN
    bssid TEXT,
    frequency_mhz INTEGER,
    width_mhz INTEGER,
    band TEXT CHECK (band IN ('2.4', '5', '6'))  -- GHz
) STRICT;
CREATE UNIQUE INDEX link_identity ON link (
    connected, ifnull(interface, ''), ifnull(ssid, x'00'), ifnull(bssid, ''),
    ifnull(frequency_mhz, 0), ifnull(width_mhz, 0), ifnull(band, '')
);
INSERT INTO link (id, connected) VALUES (0, 0);

-- One physical-layer rate.
CREATE TABLE rate (
    id INTEGER PRIMARY KEY,
    mbps REAL NOT NULL,
    phy_mode TEXT,
    mcs INTEGER,
    streams INTEGER,
    width_mhz INTEGER,
    guard_interval_ns INTEGER
) STRICT;
CREATE UNIQUE INDEX rate_identity ON rate (
    mbps, ifnull(phy_mode, ''), ifnull(mcs, -1), ifnull(streams, 0), ifnull(width_mhz, 0), ifnull(guard_interval_ns, 0)
);

-- One scheduled reading of the link. Counters are differences since the sample before. The id holds period, time
-- and a number that tells readings of one millisecond apart: the samples of a period lie side by side in order of
-- time, at a tenth fewer bytes than under a key of three columns. See logger/sample_id.py.
CREATE TABLE sample (
    id INTEGER PRIMARY KEY,                 -- period_id << 46 | time_utc_ms << 4 | nth
    period_id INTEGER AS (id >> 46),
    time_utc_ms INTEGER AS (id >> 4 & 4398046511103),
    link_id INTEGER NOT NULL REFERENCES link (id),  -- of a link with connected = 0: awake, logging, no link
    rssi_dbm REAL,
    rssi_avg_dbm REAL,
    beacon_rssi_avg_dbm REAL,
    chain_rssi_dbm BLOB,                    -- a signed byte per receive chain, 0 for a silent one
    noise_dbm REAL,
    tx_rate_id INTEGER REFERENCES rate (id),  -- NULL also when no frame has refreshed the rate
    rx_rate_id INTEGER REFERENCES rate (id),
    tx_packets INTEGER,
    tx_retries INTEGER,
    tx_failed INTEGER,
    beacon_losses INTEGER,
    busy_permille INTEGER,                  -- share of the time listened in which the channel was busy
    rx_bytes INTEGER,                       -- all traffic of the interface, the user's included
    tx_bytes INTEGER
) STRICT;

-- How far apart the samples of a source were meant to be, from a moment on.
CREATE TABLE pace (
    source_id INTEGER NOT NULL REFERENCES source (id),
    from_utc_ms INTEGER NOT NULL,
    interval_ms INTEGER NOT NULL CHECK (interval_ms > 0),
    PRIMARY KEY (source_id, from_utc_ms)
) STRICT, WITHOUT ROWID;

-- The summary of the samples of one period, one stretch and one radio. See logger/blocks.py.
CREATE TABLE block (
    period_id INTEGER NOT NULL REFERENCES period (id),
    started_at_utc_ms INTEGER NOT NULL,
    link_id INTEGER NOT NULL REFERENCES link (id),
    ended_at_utc_ms INTEGER NOT NULL,       -- of the stretch, not of the samples
    first_utc_ms INTEGER NOT NULL,          -- of the samples
    last_utc_ms INTEGER NOT NULL,
    n_samples INTEGER NOT NULL,
    offset_ms_sum INTEGER NOT NULL,         -- of (sample time - started_at), for the mean time
    covered_ms INTEGER NOT NULL,            -- time that the samples stand for
    n_dropouts INTEGER NOT NULL,            -- times the link was found lost after it had been there
    rssi_n INTEGER NOT NULL,
    rssi_sum_dbm REAL NOT NULL,
    rssi_histogram BLOB NOT NULL,           -- per whole dB
    noise_n INTEGER NOT NULL,
    noise_sum_dbm REAL NOT NULL,
    tx_rate_n INTEGER NOT NULL,
    tx_rate_sum_mbps REAL NOT NULL,
    tx_rate_sum_log2 REAL NOT NULL,         -- of log2(Mbit/s)
    tx_rate_histogram BLOB NOT NULL,        -- per eighth of an octave of Mbit/s
    rx_rate_n INTEGER NOT NULL,
    rx_rate_sum_mbps REAL NOT NULL,
    rx_rate_sum_log2 REAL NOT NULL,
    rx_rate_histogram BLOB NOT NULL,
    busy_n INTEGER NOT NULL,
    busy_sum_permille INTEGER NOT NULL,
    tx_packets INTEGER NOT NULL,
    tx_retries INTEGER NOT NULL,
    tx_failed INTEGER NOT NULL,
    beacon_losses INTEGER NOT NULL,
    rx_bytes INTEGER NOT NULL,
    tx_bytes INTEGER NOT NULL,
    PRIMARY KEY (period_id, started_at_utc_ms, link_id)
) STRICT, WITHOUT ROWID;

-- Something that happened between samples.
CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    time_utc_ms INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN (
        'connected', 'disconnected', 'roamed', 'channel-switched', 'suspended', 'resumed', 'clock-set',
        'logger-started', 'logger-stopped', 'adapter-failed', 'adapter-recovered', 'interface-gone',
        'interface-back', 'samples-dropped', 'imported')),
    source_id INTEGER NOT NULL DEFAULT 1 REFERENCES source (id),
    detail TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(detail))
) STRICT;
CREATE INDEX event_by_time ON event (time_utc_ms);

-- The public face of the samples, for SQL and pandas. Columns are only ever added.
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
    link.interface AS interface
FROM period
-- CROSS JOIN keeps this order: first the few periods that a question is about, then their samples by id.
CROSS JOIN placement ON placement.id = period.placement_id
CROSS JOIN location ON location.id = placement.location_id
CROSS JOIN sample ON sample.id >= period.id << 46 AND sample.id < period.id + 1 << 46
CROSS JOIN link ON link.id = sample.link_id
LEFT JOIN rate AS tx_rate ON tx_rate.id = sample.tx_rate_id
LEFT JOIN rate AS rx_rate ON rx_rate.id = sample.rx_rate_id;
