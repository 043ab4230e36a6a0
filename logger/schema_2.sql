-- The log, schema 2: what was found stays in the log beside what was measured. Both tables may be emptied at any time:
-- nothing in them cannot be worked out again.

-- What was worked out from blocks, so that it need not be worked out again until they change.
CREATE TABLE answer (
    question TEXT PRIMARY KEY CHECK (json_valid(question)),  -- what was asked: canonical JSON
    fingerprint BLOB NOT NULL,              -- of the blocks, the method and its settings
    answer TEXT NOT NULL CHECK (json_valid(answer)),
    found_at_utc_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- What the log has come to say: a verdict, a change that nobody wrote down, how far the running trial is.
CREATE TABLE finding (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('verdict', 'unexplained', 'progress')),
    key TEXT NOT NULL,                      -- what it is about: the same again replaces it
    found_at_utc_ms INTEGER NOT NULL,
    words TEXT NOT NULL,                    -- one sentence for people
    detail TEXT NOT NULL CHECK (json_valid(detail)),
    said_at_utc_ms INTEGER,                 -- NULL: the daemon has not told it yet
    UNIQUE (kind, key)
) STRICT;
