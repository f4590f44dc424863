//! The tables, as a list of steps that only ever grows: `PRAGMA user_version`
//! says how many of them a file has seen. Never change or remove a step that
//! was released; add the next one. What each table means stands in the SQL
//! itself, so that `.schema` shows it to anybody who opens the file.

use rusqlite::{Connection, TransactionBehavior};

/// Every step from an empty file to today's tables, oldest first.
pub(super) const MIGRATIONS: &[&str] = &[V1, V2, V3, V4, V5, V6, V7, V8, V9];

/// Stands in the header of every file of ours ("tray" in ASCII), so that a
/// path to somebody else's database is noticed before anything is written.
pub(super) const APPLICATION_ID: i32 = 0x7472_6179;

/// Runs the steps a file has not seen, all in one transaction, and returns the
/// number of steps it had seen before. A file from a newer build is left alone:
/// the number is then larger than `steps.len()`.
pub(super) fn upgrade(connection: &mut Connection, steps: &[&str]) -> rusqlite::Result<usize> {
    let seen = version(connection)?;
    if seen >= steps.len() {
        return Ok(seen);
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for step in &steps[seen..] {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", steps.len() as i64)?;
    transaction.commit()?;
    Ok(seen)
}

/// How many steps a file has seen; 0 for an empty one.
pub(super) fn version(connection: &Connection) -> rusqlite::Result<usize> {
    let version: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    Ok(usize::try_from(version).unwrap_or(0))
}

const V1: &str = "
CREATE TABLE series (
    -- One measured quantity of one sensor. Rows are never deleted: a sensor that
    -- leaves the config keeps its history, and finds it again when it comes back.
    id        INTEGER PRIMARY KEY,
    sensor    TEXT NOT NULL,      -- the sensor's id in the config; a reservoir's gauge has the reservoir's id
    quantity  TEXT NOT NULL,      -- temperature, humidity, distance, depth, volume or filling
    unit      TEXT NOT NULL,      -- unit of reading.raw, as SenML (RFC 8428) writes it: Cel, %RH, mm, L, %
    UNIQUE (sensor, quantity)
) STRICT;

CREATE TABLE reading (
    -- Every value that was heard, believed or not. (at, seq) is one order over
    -- readings AND the rows of table event. View reading_plain shows it in words.
    at            INTEGER NOT NULL,  -- when we learnt of it, milliseconds since 1970 UTC
    seq           INTEGER NOT NULL,  -- which one within that millisecond, counted over all events
    series        INTEGER NOT NULL,  -- series.id
    raw           INTEGER NOT NULL,  -- as heard, thousandths of series.unit
    believed      INTEGER,           -- calibrated, thousandths of Cel, %RH or (reservoirs) L; NULL: not believed
    judged        INTEGER NOT NULL,  -- flag + 16 * doubt + 256 * retained. flag, as in QARTOD: 1 good, 2 not
                                     -- evaluated, 3 suspect, 4 fail, 9 missing. doubt: 0 none, 1 range,
                                     -- 2 fault-code, 3 spike, 4 rate, 5 flat-line, 6 saturated, 7 retained,
                                     -- 8 late, 9 duplicate. retained: 1 when the broker handed out an old message
    claimed_lag   INTEGER,           -- at minus the sensor's own time, milliseconds; NULL: it named none
    believed_lag  INTEGER NOT NULL,  -- at minus the time of measuring that we believe, milliseconds
    PRIMARY KEY (at, seq)
) STRICT, WITHOUT ROWID;

CREATE VIEW reading_plain AS
    -- Readings in words and decimal numbers, for people. Times in UTC.
    SELECT strftime('%Y-%m-%dT%H:%M:%fZ', reading.at / 1000.0, 'unixepoch') AS heard_at,
           strftime('%Y-%m-%dT%H:%M:%fZ', (reading.at - reading.believed_lag) / 1000.0, 'unixepoch') AS measured_at,
           series.sensor, series.quantity, reading.raw / 1000.0 AS raw, series.unit AS raw_unit,
           reading.believed / 1000.0 AS believed,
           CASE reading.judged & 15 WHEN 1 THEN 'good' WHEN 3 THEN 'suspect' WHEN 4 THEN 'fail'
                WHEN 9 THEN 'missing' ELSE 'unknown' END AS flag,
           CASE (reading.judged >> 4) & 15 WHEN 1 THEN 'range' WHEN 2 THEN 'fault-code' WHEN 3 THEN 'spike'
                WHEN 4 THEN 'rate' WHEN 5 THEN 'flat-line' WHEN 6 THEN 'saturated' WHEN 7 THEN 'retained'
                WHEN 8 THEN 'late' WHEN 9 THEN 'duplicate' END AS doubt,
           (reading.judged >> 8) & 1 AS retained
      FROM reading JOIN series ON series.id = reading.series;

CREATE TABLE event (
    -- Everything else that happened, as the engine needs it to live through it again.
    at    INTEGER NOT NULL,  -- when we learnt of it, milliseconds since 1970 UTC
    seq   INTEGER NOT NULL,  -- which one within that millisecond, counted over all events
    kind  TEXT NOT NULL,     -- started, no-value, garbled, journal, command, broker-up, broker-down,
                             -- letter-sent, letter-failed, store-failed, store-recovered, clock-stepped
    body  TEXT NOT NULL,     -- the rest, a JSON object; sensors by their id in the config
    PRIMARY KEY (at, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE journal (
    -- What the grower did. Entries stay for good, also refused and struck ones.
    number     INTEGER PRIMARY KEY,  -- from 1, never used twice
    at         INTEGER NOT NULL,     -- when we were told, milliseconds since 1970 UTC
    seq        INTEGER NOT NULL,     -- see event.seq
    body       TEXT NOT NULL,        -- the entry, a JSON object as it came
    refused    TEXT,                 -- why it was refused, as a sentence; NULL: it was taken
    struck_by  INTEGER,              -- number of the entry that struck this one
    note       TEXT NOT NULL         -- what the grower was told about it, a JSON array
) STRICT;

CREATE TABLE alarm (
    -- Every change of every alarm; the last row of a kind and subject is how it stands.
    at          INTEGER NOT NULL,  -- when it changed, milliseconds since 1970 UTC
    seq         INTEGER NOT NULL,  -- of the event that changed it, see event.seq
    nth         INTEGER NOT NULL,  -- which change of that event, from 0
    kind        TEXT NOT NULL,     -- air-too-warm, reservoir-low, ...
    subject     TEXT NOT NULL,     -- id of the place, sensor, reservoir or tray, or site
    since       INTEGER NOT NULL,  -- when the condition began to hold, milliseconds since 1970 UTC
    state       TEXT NOT NULL,     -- normal, unacknowledged, acknowledged, returned-unacknowledged, shelved, out-of-service
    before      TEXT NOT NULL,     -- the state before; equal to state when something else changed
    priority    TEXT NOT NULL,     -- now, next-round or digest
    harm_from   INTEGER,           -- when harm begins, best estimate, milliseconds since 1970 UTC; NULL: none in sight
    harm_early  INTEGER,           -- it may begin this early
    next_round  INTEGER NOT NULL,  -- the round that followed, milliseconds since 1970 UTC
    times       INTEGER NOT NULL,  -- times it came and went in this episode, from 1
    text        TEXT NOT NULL,     -- the sentence people were shown
    by          TEXT,              -- who answered it
    PRIMARY KEY (at, seq, nth)
) STRICT, WITHOUT ROWID;
CREATE INDEX alarm_by_key ON alarm (kind, subject, at, seq, nth);

CREATE TABLE letter (
    -- Every letter in words. Kept for good.
    id       TEXT PRIMARY KEY,   -- the same when the night is run again, so that none is written twice
    at       INTEGER NOT NULL,   -- when it was decided, milliseconds since 1970 UTC
    kind     TEXT NOT NULL,      -- alarm, round or digest
    answers  TEXT,               -- the letter whose thread it belongs to
    subject  TEXT NOT NULL,
    text     TEXT NOT NULL       -- plain text; the HTML part and pictures are only in mail.bytes
) STRICT;
CREATE INDEX letter_by_time ON letter (at);

CREATE TABLE mail (
    -- The outbox: one mail to one recipient. A mail leaves it when the mail server took it.
    id          INTEGER PRIMARY KEY,
    letter      TEXT NOT NULL,         -- letter.id
    recipient   TEXT NOT NULL,
    sender      TEXT NOT NULL,
    message_id  TEXT NOT NULL UNIQUE,  -- the same at every try
    bytes       BLOB NOT NULL,         -- the whole message, RFC 5322
    state       TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'failed')),
    tries       INTEGER NOT NULL,
    not_before  INTEGER NOT NULL,      -- next try, milliseconds since 1970 UTC
    last_error  TEXT,
    done_at     INTEGER                -- when it was sent or given up, milliseconds since 1970 UTC
) STRICT;
CREATE INDEX mail_by_letter ON mail (letter);
CREATE INDEX mail_waiting ON mail (not_before) WHERE state = 'waiting';

CREATE TABLE minute (
    -- Believed readings by the minute they were measured in. Kept for good.
    series  INTEGER NOT NULL,  -- series.id
    minute  INTEGER NOT NULL,  -- minutes since 1970 UTC
    n       INTEGER NOT NULL,  -- readings in it
    low     INTEGER NOT NULL,  -- lowest, thousandths of Cel, %RH or L
    sum     INTEGER NOT NULL,  -- of all readings, thousandths; the mean is sum / n
    high    INTEGER NOT NULL,  -- highest, thousandths
    PRIMARY KEY (series, minute)
) STRICT, WITHOUT ROWID;

CREATE TABLE garbled (
    -- The newest 1,000 messages that were no readings, for inspection.
    at       INTEGER NOT NULL,  -- milliseconds since 1970 UTC
    seq      INTEGER NOT NULL,  -- see event.seq
    topic    TEXT NOT NULL,
    reason   TEXT NOT NULL,     -- why it was refused
    size     INTEGER NOT NULL,  -- bytes of the whole payload
    payload  BLOB NOT NULL,     -- its first 256 bytes
    PRIMARY KEY (at, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE delivery (
    -- MQTT messages that are committed but perhaps not yet acknowledged: a broker
    -- that delivers one again (DUP) does not make a second reading of it.
    packet_id  INTEGER PRIMARY KEY,  -- the broker's packet id
    hash       INTEGER NOT NULL,     -- of topic and payload
    at         INTEGER NOT NULL      -- milliseconds since 1970 UTC
) STRICT;

CREATE TABLE inbox (
    -- What other processes (the verbs log and alarms) hand to the running daemon.
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    at        INTEGER NOT NULL,  -- when it was put in, milliseconds since 1970 UTC
    kind      TEXT NOT NULL CHECK (kind IN ('journal', 'command')),
    body      TEXT NOT NULL,     -- a JSON object
    taken_at  INTEGER,           -- when the daemon took it; NULL: it waits
    answer    TEXT               -- what the daemon says to it
) STRICT;
CREATE INDEX inbox_waiting ON inbox (id) WHERE taken_at IS NULL;

CREATE TABLE meta (
    -- rolled_up_to: readings learnt of before this many milliseconds since 1970 UTC are in table minute.
    -- stopped_well: 1 when the daemon closed the file, 0 while it has it open.
    key    TEXT PRIMARY KEY,
    value  TEXT NOT NULL
) STRICT, WITHOUT ROWID;
";

/// A tenth doubt: 10 in `reading.judged` is "uncorrected", an echo whose air was not known.
const V2: &str = "
DROP VIEW reading_plain;
CREATE VIEW reading_plain AS
    -- Readings in words and decimal numbers, for people. Times in UTC.
    SELECT strftime('%Y-%m-%dT%H:%M:%fZ', reading.at / 1000.0, 'unixepoch') AS heard_at,
           strftime('%Y-%m-%dT%H:%M:%fZ', (reading.at - reading.believed_lag) / 1000.0, 'unixepoch') AS measured_at,
           series.sensor, series.quantity, reading.raw / 1000.0 AS raw, series.unit AS raw_unit,
           reading.believed / 1000.0 AS believed,
           CASE reading.judged & 15 WHEN 1 THEN 'good' WHEN 3 THEN 'suspect' WHEN 4 THEN 'fail'
                WHEN 9 THEN 'missing' ELSE 'unknown' END AS flag,
           CASE (reading.judged >> 4) & 15 WHEN 1 THEN 'range' WHEN 2 THEN 'fault-code' WHEN 3 THEN 'spike'
                WHEN 4 THEN 'rate' WHEN 5 THEN 'flat-line' WHEN 6 THEN 'saturated' WHEN 7 THEN 'retained'
                WHEN 8 THEN 'late' WHEN 9 THEN 'duplicate' WHEN 10 THEN 'uncorrected' END AS doubt,
           (reading.judged >> 8) & 1 AS retained
      FROM reading JOIN series ON series.id = reading.series;
";

/// Replies to letters. The key by which letters carry their marks is in `meta` as `mark_key`.
const V3: &str = "
CREATE TABLE letter_alarm (
    -- Which alarms a letter told of: an answer to it answers all of them.
    letter   TEXT NOT NULL,  -- letter.id
    kind     TEXT NOT NULL,  -- air-too-warm, reservoir-low, ...
    subject  TEXT NOT NULL,  -- id of the place, sensor, reservoir or tray, or site
    PRIMARY KEY (letter, kind, subject)
) STRICT, WITHOUT ROWID;

CREATE TABLE mailbox (
    -- How far the mailbox for answers was read.
    name      TEXT PRIMARY KEY,  -- user, host and folder
    validity  INTEGER NOT NULL,  -- UIDVALIDITY (RFC 3501): under another one numbers mean other mails
    uid       INTEGER NOT NULL,  -- the highest UID that was looked at
    at        INTEGER NOT NULL   -- when, milliseconds since 1970 UTC
) STRICT, WITHOUT ROWID;

CREATE TABLE reply (
    -- The newest 1,000 mails that were, or pretended to be, answers to letters.
    id           INTEGER PRIMARY KEY,
    at           INTEGER NOT NULL,  -- when it was read, milliseconds since 1970 UTC
    message_id   TEXT NOT NULL,     -- its own
    sender       TEXT NOT NULL,     -- the address it says it comes from
    letter       TEXT,              -- the letter it answers; NULL: none could be told
    fate         TEXT NOT NULL,     -- reading, taken, not-understood, no-mark, stranger or lost
    answered_at  INTEGER            -- when a letter of ours answered it; NULL: none did
) STRICT;
CREATE INDEX reply_by_message_id ON reply (message_id);
CREATE INDEX reply_by_time ON reply (at);
";

/// The outbox is kept by letter, channel and recipient: mail is one way to tell, a lamp
/// another, and one letter can tell what older ones had to tell.
const V4: &str = "
CREATE TABLE outbox (
    -- What is to be told: one letter on one channel to one recipient. It leaves when it was taken.
    letter      TEXT NOT NULL,                 -- mail: letter.id; lamp: which change of which alarm
    channel     TEXT NOT NULL DEFAULT 'mail',  -- mail or lamp
    recipient   TEXT NOT NULL,                 -- mail: the address; lamp: the topic
    message_id  TEXT,                          -- mail: its Message-ID, the same at every try
    bytes       BLOB NOT NULL,                 -- mail: the whole message, RFC 5322; lamp: the payload
    at          INTEGER NOT NULL DEFAULT 0,    -- when it was decided, milliseconds since 1970 UTC
    state       TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'failed', 'told-by-another')),
    tries       INTEGER NOT NULL,
    not_before  INTEGER NOT NULL,              -- next try, milliseconds since 1970 UTC
    last_error  TEXT,
    told_by     TEXT,                          -- the letter on the same way that tells what this one had to tell
    done_at     INTEGER,                       -- when it was sent, given up or told by another, milliseconds since 1970 UTC
    PRIMARY KEY (letter, channel, recipient)
) STRICT;
INSERT OR IGNORE INTO outbox (letter, channel, recipient, message_id, bytes, at, state, tries, not_before, last_error, done_at)
    SELECT mail.letter, 'mail', recipient, message_id, bytes, coalesce(letter.at, not_before), state, tries, not_before, last_error, done_at
      FROM mail LEFT JOIN letter ON letter.id = mail.letter ORDER BY mail.id;
DROP TABLE mail;
CREATE INDEX outbox_waiting ON outbox (at) WHERE state = 'waiting';
CREATE INDEX outbox_by_message_id ON outbox (message_id) WHERE message_id IS NOT NULL;
CREATE INDEX outbox_told_by ON outbox (told_by) WHERE told_by IS NOT NULL;
";

/// What the page on a phone needs: a tap that is sent twice counts once and knows what
/// became of it, and phones that may speak.
const V5: &str = "
ALTER TABLE inbox ADD COLUMN key TEXT;       -- made by the sender: what comes again under one key counts once
ALTER TABLE inbox ADD COLUMN entry INTEGER;  -- number of the journal entry it became; NULL: none
CREATE UNIQUE INDEX inbox_by_key ON inbox (key) WHERE key IS NOT NULL;

CREATE TABLE phone (
    -- Phones that may open the page over the local network. Deleted when unpaired.
    id          INTEGER PRIMARY KEY,
    name        TEXT NOT NULL UNIQUE,  -- whose it is; what it did carries this name
    token_hash  BLOB NOT NULL UNIQUE,  -- SHA-256 of the secret that only the phone has
    paired_at   INTEGER NOT NULL,      -- milliseconds since 1970 UTC
    seen_at     INTEGER NOT NULL       -- when it last opened the page, to the hour
) STRICT;

CREATE TABLE pairing (
    -- Links that pair a phone: each works once and until its end.
    code_hash  BLOB PRIMARY KEY,  -- SHA-256 of the secret in the link
    until      INTEGER NOT NULL   -- milliseconds since 1970 UTC
) STRICT, WITHOUT ROWID;
";

/// Harm as a distribution, and calls graded by the grower.
const V6: &str = "
ALTER TABLE alarm ADD COLUMN harm_late INTEGER;  -- a tenth of the chance lies after it, milliseconds since 1970 UTC
ALTER TABLE alarm ADD COLUMN chance REAL;        -- that harm begins before the next round, 0 to 1
ALTER TABLE alarm ADD COLUMN grade TEXT;         -- what people said of its call: right, wrong; NULL: nothing
";

/// The mark of a message stands in its first reading, whose page is written anyway.
const V7: &str = "
ALTER TABLE reading ADD COLUMN delivery INTEGER;  -- first reading of an MQTT message at QoS 1: packet id + 65536 * how
                                                  -- many such marks, this and older ones, may still be delivered again
                                                  -- + 1073741824 * hash of topic and payload; NULL: none. Messages
                                                  -- that are no readings have theirs in table delivery
";

/// Readings of hours that are over, packed: a quarter of the bytes, and still read by any tool.
const V8: &str = "
CREATE TABLE packed (
    -- Readings of hours that are over, moved here from table reading a day later: a row a series and
    -- stretch. A stretch is an hour, or less where it would hold more than some thousand readings.
    -- View every_reading has these and those of table reading. Up to meta.packed_up_to (milliseconds
    -- since 1970 UTC) all that can be is packed. A column that says 'each' is one number where that is the
    -- same for all readings of the row (or NULL), else a JSON array with one number a reading: how much
    -- more it is than the last one that is not null.
    id            INTEGER PRIMARY KEY,
    stretch       INTEGER NOT NULL,  -- when the stretch begins, milliseconds since 1970 UTC
    series        INTEGER NOT NULL,  -- series.id
    part          INTEGER NOT NULL,  -- from 0, where the readings of a series do not fit into one row
    readings      INTEGER NOT NULL,  -- how many
    lasts         INTEGER NOT NULL,  -- when the last of the row was heard, milliseconds after stretch
    step          INTEGER NOT NULL,  -- usual time between two, milliseconds
    grain         INTEGER NOT NULL,  -- every raw is a multiple of it
    seq           ANY NOT NULL,      -- each: reading.seq
    belief        ANY,               -- each: reading.believed minus reading.raw
    judged        ANY NOT NULL,      -- each: reading.judged
    claimed_lag   ANY,               -- each: reading.claimed_lag
    believed_lag  ANY NOT NULL,      -- each: reading.believed_lag minus reading.claimed_lag (0 where that is NULL)
    times         TEXT NOT NULL,     -- each, always an array: reading.at minus stretch, less step a reading before it
    raw           ANY NOT NULL,      -- each: reading.raw divided by grain
    UNIQUE (stretch, series, part)
) STRICT;

CREATE VIEW every_reading AS
    -- What table packed holds, and table reading, alike but for the mark of the message. A span is found
    -- without unpacking the rest where stretch is asked for beside at:
    -- WHERE stretch > FROM - 3600000 AND stretch < UNTIL AND at >= FROM AND at < UNTIL.
    SELECT at, seq, series, raw, raw + belief AS believed, judged, claimed_lag,
           believed_lag + coalesce(claimed_lag, 0) AS believed_lag, stretch FROM (
        SELECT stretch + step * time.key + sum(time.value) OVER so_far AS at,
               iif(typeof(seq) = 'text', sum(seq ->> time.key) OVER so_far, seq) AS seq,
               series,
               grain * iif(typeof(raw) = 'text', sum(raw ->> time.key) OVER so_far, raw) AS raw,
               iif(typeof(belief) = 'text', iif(belief ->> time.key IS NULL, NULL, sum(belief ->> time.key) OVER so_far),
                   belief) AS belief,
               iif(typeof(judged) = 'text', sum(judged ->> time.key) OVER so_far, judged) AS judged,
               iif(typeof(claimed_lag) = 'text',
                   iif(claimed_lag ->> time.key IS NULL, NULL, sum(claimed_lag ->> time.key) OVER so_far),
                   claimed_lag) AS claimed_lag,
               iif(typeof(believed_lag) = 'text', sum(believed_lag ->> time.key) OVER so_far, believed_lag) AS believed_lag,
               stretch
          FROM packed, json_each(packed.times) AS time
        WINDOW so_far AS (PARTITION BY stretch, series, part ORDER BY time.key))
    UNION ALL
    SELECT at, seq, series, raw, believed, judged, claimed_lag, believed_lag, at AS stretch FROM reading;

DROP VIEW reading_plain;
CREATE VIEW reading_plain AS
    -- Readings in words and decimal numbers, for people, packed ones too. Times in UTC.
    SELECT strftime('%Y-%m-%dT%H:%M:%fZ', reading.at / 1000.0, 'unixepoch') AS heard_at,
           strftime('%Y-%m-%dT%H:%M:%fZ', (reading.at - reading.believed_lag) / 1000.0, 'unixepoch') AS measured_at,
           series.sensor, series.quantity, reading.raw / 1000.0 AS raw, series.unit AS raw_unit,
           reading.believed / 1000.0 AS believed,
           CASE reading.judged & 15 WHEN 1 THEN 'good' WHEN 3 THEN 'suspect' WHEN 4 THEN 'fail'
                WHEN 9 THEN 'missing' ELSE 'unknown' END AS flag,
           CASE (reading.judged >> 4) & 15 WHEN 1 THEN 'range' WHEN 2 THEN 'fault-code' WHEN 3 THEN 'spike'
                WHEN 4 THEN 'rate' WHEN 5 THEN 'flat-line' WHEN 6 THEN 'saturated' WHEN 7 THEN 'retained'
                WHEN 8 THEN 'late' WHEN 9 THEN 'duplicate' WHEN 10 THEN 'uncorrected' END AS doubt,
           (reading.judged >> 8) & 1 AS retained
      FROM every_reading AS reading CROSS JOIN series ON series.id = reading.series;
";

/// Minute means of hours that are over, packed: they are kept for good.
const V9: &str = "
CREATE TABLE minute_packed (
    -- Minute means of hours that are over, moved here from table minute a day later: a row a series
    -- and hour. View every_minute has these and those of table minute. A column that says 'each' is one
    -- number where that is the same for all minutes of the row, else a text with one character a minute:
    -- unicode(character) - 32 is the number.
    series   INTEGER NOT NULL,  -- series.id
    hour     INTEGER NOT NULL,  -- hours since 1970 UTC
    minutes  INTEGER NOT NULL,  -- how many minutes of the hour have readings
    first    INTEGER NOT NULL,  -- the lowest reading of the first of them, thousandths of Cel, %RH or L
    grain    INTEGER NOT NULL,  -- every difference is a multiple of it, thousandths
    places   ANY NOT NULL,      -- each: the minute of the hour, less the minutes of the row before it
    n        ANY NOT NULL,      -- each: minute.n
    low      ANY NOT NULL,      -- each: how much lower or higher minute.low is than the one before, in grains:
                                -- 0, 1, 2, 3, 4 ... for 0, -1, 1, -2, 2 ...
    spread   ANY NOT NULL,      -- each: minute.high minus minute.low, in grains
    rest     ANY NOT NULL,      -- each: minute.sum minus n times minute.low minus spread, in grains
    PRIMARY KEY (series, hour)
) STRICT, WITHOUT ROWID;

CREATE VIEW every_minute AS
    -- What table minute_packed holds, and table minute, alike. A span is found without unpacking the rest
    -- where hour is asked for beside minute: WHERE series = S AND hour >= FROM / 60 AND hour <= UNTIL / 60
    -- AND minute >= FROM AND minute < UNTIL.
    WITH RECURSIVE place (nth) AS (VALUES (0) UNION ALL SELECT nth + 1 FROM place WHERE nth < 59),
    number AS (
        SELECT series, hour, nth, first, grain,
               hour * 60 + nth + iif(typeof(places) = 'text', unicode(substr(places, nth + 1, 1)) - 32, places) AS minute,
               iif(typeof(n) = 'text', unicode(substr(n, nth + 1, 1)) - 32, n) AS n,
               iif(typeof(low) = 'text', unicode(substr(low, nth + 1, 1)) - 32, low) AS low,
               grain * iif(typeof(spread) = 'text', unicode(substr(spread, nth + 1, 1)) - 32, spread) AS spread,
               grain * iif(typeof(rest) = 'text', unicode(substr(rest, nth + 1, 1)) - 32, rest) AS rest
          FROM minute_packed JOIN place ON nth < minutes),
    lowest AS (
        SELECT series, hour, minute, n, spread, rest,
               first + grain * sum(iif(low % 2 = 0, low / 2, -(low + 1) / 2))
                   OVER (PARTITION BY series, hour ORDER BY nth) AS low
          FROM number)
    SELECT series, minute, n, low, n * low + spread + rest AS sum, low + spread AS high, hour FROM lowest
    UNION ALL
    SELECT series, minute, n, low, sum, high, minute / 60 AS hour FROM minute;
";
