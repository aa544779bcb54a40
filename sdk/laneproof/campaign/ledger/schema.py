"""The tables and views of a ledger, in SQL. What is written into them is in `writing`, the guide's page `ledger` says
what they mean."""

from __future__ import annotations

LEDGER_VERSION = 3
APPLICATION_ID = 0x6C616E65
"""Marks a SQLite file as a ledger (`PRAGMA application_id`)."""

# The tables that laneproof itself reads. It reads them from no file in which they are declared otherwise.
ENTRY = """CREATE TABLE entry (
    number INTEGER PRIMARY KEY, segment INTEGER NOT NULL, utc TEXT NOT NULL, kind TEXT NOT NULL,
    endpoint INTEGER, step INTEGER, body TEXT NOT NULL, digest BLOB NOT NULL
) STRICT"""
TAIL = """CREATE TABLE tail (
    endpoint INTEGER PRIMARY KEY, segment INTEGER NOT NULL, step INTEGER, utc TEXT NOT NULL, body TEXT NOT NULL
) STRICT"""

_CLOSED = """
CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry
    BEGIN SELECT RAISE(ABORT, 'entries of a ledger are never changed; add an amendment'); END;
CREATE TRIGGER entry_is_never_replaced BEFORE INSERT ON entry
    WHEN EXISTS (SELECT 1 FROM entry WHERE number = NEW.number)
    BEGIN SELECT RAISE(ABORT, 'entries of a ledger are never changed; add an amendment'); END;
CREATE TRIGGER entry_is_never_deleted BEFORE DELETE ON entry
    BEGIN SELECT RAISE(ABORT, 'entries of a ledger are never deleted; add an amendment'); END;
"""

_VIEWS = """
CREATE VIEW segment AS
SELECT started.segment, started.utc AS started_utc,
    (SELECT utc FROM entry WHERE kind = 'end' AND segment = started.segment) AS ended_utc,
    (SELECT body ->> 'how' FROM entry WHERE kind IN ('end', 'cut') AND segment = started.segment) AS ended,
    coalesce(
        (SELECT coalesce(body ->> 'last_utc', utc) FROM entry
            WHERE kind IN ('end', 'cut') AND segment = started.segment),
        (SELECT utc FROM tail WHERE endpoint = -1 AND segment = started.segment), started.utc) AS last_utc,
    started.body ->> 'gap_s' AS gap_s, started.body -> 'environment' AS environment
FROM entry AS started WHERE started.kind = 'segment';

CREATE VIEW run AS
SELECT (SELECT utc FROM entry WHERE number = 1) AS started_utc,
    (SELECT ended_utc FROM segment ORDER BY segment DESC LIMIT 1) AS finished_utc,
    (SELECT ended IS NOT 'finished' FROM segment ORDER BY segment DESC LIMIT 1) AS interrupted,
    (SELECT body FROM entry WHERE kind = 'run') AS plan,
    (SELECT environment FROM segment ORDER BY segment LIMIT 1) AS environment;

CREATE VIEW endpoint AS
SELECT planned.endpoint, planned.body ->> 'name' AS name, planned.body ->> 'uri' AS uri,
    planned.body ->> 'observe' AS observe, coalesce(opened.body, planned.body) ->> 'physical' AS physical,
    opened.body ->> 'virtual_time' AS virtual_time, opened.body -> 'opened' AS opened,
    EXISTS (SELECT 1 FROM entry WHERE kind = 'slot' AND endpoint = planned.endpoint
        AND segment = (SELECT max(segment) FROM segment)) AS finished
FROM entry AS planned LEFT JOIN entry AS opened ON opened.number =
    (SELECT max(number) FROM entry WHERE kind = 'opened' AND endpoint = planned.endpoint)
WHERE planned.kind = 'endpoint';

CREATE VIEW attempt AS
SELECT begun.endpoint, begun.step, begun.segment, begun.body ->> 'kind' AS kind,
    judged.body ->> 'verdict' AS verdict, judged.body ->> 'started_s' AS started_s,
    judged.body ->> 'finished_s' AS finished_s, judged.body ->> 'bytes_moved' AS bytes_moved,
    judged.body -> 'measures' AS measures, judged.body -> 'errors' AS errors,
    judged.body -> 'conditions' AS conditions, judged.body ->> 'interrupted' AS interrupted,
    begun.body -> 'carried' AS carried, begun.number AS begun, judged.number AS judged
FROM entry AS begun LEFT JOIN entry AS judged ON judged.kind = 'judged' AND judged.endpoint = begun.endpoint
    AND judged.step = begun.step AND judged.segment = begun.segment
WHERE begun.kind = 'step';

CREATE VIEW step AS
SELECT endpoint, step, segment, kind, verdict, started_s, finished_s, bytes_moved, measures, errors, conditions
FROM attempt AS one WHERE segment =
    (SELECT max(segment) FROM attempt WHERE endpoint = one.endpoint AND step = one.step);

CREATE VIEW reason AS
SELECT step.endpoint, step.step, told.key AS number, told.value ->> 'verdict' AS verdict, told.value ->> 'text' AS text
FROM step JOIN attempt USING (endpoint, step, segment) JOIN entry ON entry.number = attempt.judged,
    json_each(entry.body, '$.reasons') AS told
UNION ALL
SELECT entry.endpoint, -1, told.key, told.value ->> 'verdict', told.value ->> 'text'
FROM entry, json_each(entry.body, '$.reasons') AS told
WHERE entry.kind = 'slot' AND entry.number =
    (SELECT max(number) FROM entry AS later WHERE later.kind = 'slot' AND later.endpoint = entry.endpoint);

CREATE VIEW event AS
SELECT endpoint, row_number() OVER (PARTITION BY endpoint ORDER BY number) - 1 AS number, segment, step,
    body ->> 'clock_s' AS clock_s, body ->> 'kind' AS kind, body ->> 'text' AS text
FROM entry WHERE kind = 'event';

CREATE VIEW sample AS
SELECT endpoint, step, row_number() OVER (PARTITION BY endpoint, step ORDER BY number) - 1 AS number, segment,
    body ->> 'from_s' AS from_s, body ->> 'to_s' AS clock_s, body ->> 'count' AS count, body ->> 'bytes' AS bytes,
    body ->> 'verified_bytes' AS verified_bytes, body ->> 'seconds' AS seconds,
    body ->> 'slowest' AS slowest_bytes_per_s, body ->> 'fastest' AS fastest_bytes_per_s,
    body ->> 'mismatched_bits' AS mismatched_bits
FROM (SELECT number, endpoint, step, segment, body FROM entry WHERE kind = 'span'
    UNION ALL SELECT 9223372036854775807, endpoint, step, segment, body -> 'span' FROM tail
        WHERE body ->> 'span' IS NOT NULL);

CREATE VIEW marker AS
SELECT number, segment, utc, body ->> 'text' AS text, body ->> 'opens' AS opens, body ->> 'closes' AS closes,
    body ->> 'excludes' AS excludes
FROM entry WHERE kind = 'marker';

CREATE VIEW amendment AS
SELECT number, segment, utc, body ->> 'text' AS text, body ->> 'by' AS by, body ->> 'of' AS of
FROM entry WHERE kind = 'amendment';

CREATE VIEW clock AS
SELECT number, segment, body ->> 'utc' AS utc, body ->> 'what' AS what, body ->> 'monotonic_s' AS monotonic_s,
    body ->> 'boottime_s' AS boottime_s, body ->> 'within_s' AS within_s, body ->> 'source' AS source,
    body ->> 'synchronised' AS synchronised, body ->> 'uncertainty_s' AS uncertainty_s,
    body ->> 'estimate_s' AS estimate_s, body ->> 'state' AS state, body -> 'flags' AS flags,
    body ->> 'why' AS why, body ->> 'jump_s' AS jump_s, body ->> 'threshold_s' AS threshold_s
FROM entry WHERE kind = 'clock';

CREATE VIEW kernel AS
SELECT number, endpoint, segment, step, utc, body ->> 'kernel_s' AS kernel_s, body ->> 'text' AS text,
    body ->> 'why' AS why
FROM entry WHERE kind = 'kernel';
"""

SCHEMA = f"{ENTRY};\n{TAIL};\nCREATE INDEX entry_by_kind ON entry (kind, endpoint, step);\n{_CLOSED}{_VIEWS}"
