"""The archive's views: each table under its name, and those that answer the office's first questions.

The SQL is DuckDB's, which a person can read from `ARCHIVE/views.sql` too: its paths are relative, so it is read in the
archive's folder (`cd ARCHIVE && duckdb -init views.sql`). Another engine reads the same files by their names.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

from witnesspost.replay.office.archive.tables import AS_THE_BYTES, NOT_COMPARED, PARTS, GatheredRow

VIEWS_FILE = "views.sql"


class Question(NamedTuple):
    """A view that answers: what is asked, and its SQL."""

    asked: str
    sql: str


_FOLDER_OF = "regexp_extract({}.run, '-(.*)', 1)"  # the id of the log's folder, in which `seq` and lives run on

QUESTIONS: dict[str, Question] = {
    "alerts": Question(
        "What was raised, when, why, and how long did it last?",
        f"""
        WITH lives AS (
            SELECT post, {_FOLDER_OF.format("events")} AS folder, seq
            FROM events WHERE kind = 'log-started'
        ), told AS (
            SELECT changes.*, {_FOLDER_OF.format("changes")} AS folder FROM changes
        ), lived AS (
            SELECT told.*, coalesce(lives.seq, 0) AS life FROM told ASOF LEFT JOIN lives
                ON told.post = lives.post AND told.folder = lives.folder AND told.seq >= lives.seq
        ), numbered AS (
            SELECT *, count(*) FILTER (change IN ('normal', 'cleared')) OVER (PARTITION BY post, folder, life, alert, rule
                ORDER BY seq ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS ended_before,
                lag(change) OVER (PARTITION BY post, folder, life, alert, rule ORDER BY seq) AS change_before
            FROM lived
        ), looked_at AS ( -- what is over and waits to be seen is cleared by being seen, and so is each raising before it
            SELECT *, min(CASE WHEN change = 'acknowledged' OR change = 'cleared' AND change_before = 'normal' THEN utc END)
                OVER (PARTITION BY post, folder, life, alert, rule ORDER BY seq
                ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING) AS next_seen_utc
            FROM numbered
        ), became AS (
            SELECT post, folder, life, alert, rule, ended_before, min(seq) FILTER (change = 'raised') AS seq,
                arg_min(next_seen_utc, seq) FILTER (change = 'raised') AS seen_utc,
                min(utc) FILTER (change IN ('normal', 'cleared')) AS ended_utc,
                min(local) FILTER (change IN ('normal', 'cleared')) AS ended_local,
                arg_min(run, seq) FILTER (change = 'raised') AS run, arg_min(utc, seq) FILTER (change = 'raised') AS utc,
                arg_min(local, seq) FILTER (change = 'raised') AS local,
                arg_min(cause, seq) FILTER (change = 'raised') AS cause, arg_min(say, seq) FILTER (change = 'raised') AS say,
                arg_min(stream, seq) FILTER (change = 'raised') AS stream,
                arg_max(severity, seq) FILTER (change = 'raised') AS severity,
                arg_max_null(because_of, seq) FILTER (change = 'raised') AS because_of
            FROM looked_at GROUP BY ALL HAVING count(*) FILTER (change = 'raised') > 0
        ), logs_end AS (
            SELECT post, run, utc + to_milliseconds(CAST(1000 * seconds AS BIGINT)) AS utc,
                local + to_milliseconds(CAST(1000 * seconds AS BIGINT)) AS local
            FROM logs
        )
        SELECT post, became.run, alert, became.seq, became.utc AS raised_utc, became.local AS raised_local,
            coalesce(ended_local, logs_end.local) AS ended_local, ended_utc IS NULL AS open_at_the_end,
            round(epoch(coalesce(ended_utc, logs_end.utc) - became.utc), 1) AS lasted_s,
            round(epoch(seen_utc - became.utc), 1) AS seen_after_s, severity, rule, cause, because_of, stream, say
        FROM became LEFT JOIN logs_end USING (post, run)
        ORDER BY raised_utc, post, seq""",
    ),
    "lost_corrections": Question(
        "Which posts lost corrections most, by cause and hour of their day?",
        """
        WITH lost AS (
            SELECT *, unnest(generate_series(date_trunc('hour', raised_local), ended_local, INTERVAL 1 HOUR)) AS hour_begins
            FROM alerts WHERE rule = 'corrections-stopped' AND raised_local IS NOT NULL AND ended_local >= raised_local
        ), watched AS (
            SELECT post, sum(seconds) / 86400 AS days FROM logs GROUP BY post
        )
        SELECT lost.post, cause, CAST(hour(hour_begins) AS INTEGER) AS hour, count(DISTINCT (run, seq)) AS times,
            round(sum(epoch(least(ended_local, hour_begins + INTERVAL 1 HOUR) - greatest(raised_local, hour_begins))))
                AS lost_s,
            CASE WHEN any_value(days) >= 0.25 THEN round(lost_s / any_value(days), 1) END AS lost_s_a_day
        FROM lost JOIN watched ON watched.post = lost.post
        GROUP BY lost.post, cause, hour ORDER BY lost_s DESC, lost.post, cause, hour""",
    ),
    "wrong_base_coordinates": Question(
        "Which base coordinates were ever wrong, by how much, why, and for how long?",
        """
        WITH judged AS (
            SELECT *, last_value(judged IGNORE NULLS) OVER said AS known, last_value(cause IGNORE NULLS) OVER said AS why,
                last_value(point IGNORE NULLS) OVER said AS held_against, last_value(east_m IGNORE NULLS) OVER said AS east,
                last_value(north_m IGNORE NULLS) OVER said AS north, last_value(up_m IGNORE NULLS) OVER said AS up
            FROM base_coordinates
            WINDOW said AS (PARTITION BY post, station_id, x_m, y_m, z_m, antenna_height_m ORDER BY utc, t)
        )
        SELECT post, station_id, held_against AS point, latitude, longitude, ellipsoidal_height_m, antenna_height_m,
            any_value(east) AS east_m, any_value(north) AS north_m, any_value(up) AS up_m, why AS cause,
            round(sum(to_t - t)) AS on_air_s, count(*) AS spans, min(local) AS first_local, max(local) AS last_begun_local
        FROM judged WHERE known = 0
        GROUP BY post, station_id, held_against, latitude, longitude, ellipsoidal_height_m, antenna_height_m, why
        ORDER BY on_air_s DESC, post""",
    ),
    "check_ins": Question(
        "How many check-ins did each crew make a month, and how did they go?",
        """
        SELECT strftime(local, '%Y-%m') AS month, coalesce(said_by, 'nobody said who') AS crew, post, count(*) AS made,
            count(*) FILTER (passed = 1) AS passed, count(*) FILTER (passed = 0) AS failed,
            round(1000 * median(sqrt(east_m * east_m + north_m * north_m))) AS median_plan_mm,
            round(1000 * median(abs(up_m))) AS median_height_mm, max(local) AS last_local
        FROM checks GROUP BY month, crew, post ORDER BY month, crew, post""",
    ),
    "what_solved": Question(
        "What solved what, and how often?",
        """
        WITH solved AS (
            SELECT post, local, detail->>'rule' AS rule, detail->>'cause' AS cause, detail->>'step' AS step,
                detail->>'by' AS said_by
            FROM events WHERE kind = 'solved'
            QUALIFY row_number() OVER (PARTITION BY post, seq, detail ORDER BY run) = 1
        )
        SELECT rule, cause, step, count(*) AS times, sum(count(*)) OVER (PARTITION BY rule, cause) AS of_times,
            count(DISTINCT post) AS posts,
            string_agg(DISTINCT said_by, ', ' ORDER BY said_by) AS said_by, max(local) AS last_local
        FROM solved GROUP BY rule, cause, step ORDER BY rule, cause, times DESC, step""",
    ),
    "fix_by_day": Question(
        "How well was each rover fixed, day by day?",
        """
        SELECT post, day, sum(positions) AS positions,
            round(sum(rtk_fixed) / sum(positions), 4) AS fixed_share, round(sum(rtk_float) / sum(positions), 4) AS float_share,
            round(sum(age_s * positions) / sum(positions) FILTER (age_s IS NOT NULL), 1) AS mean_age_s,
            max(age_most_s) AS most_age_s, min(satellites) AS fewest_satellites
        FROM minutes WHERE positions > 0 GROUP BY post, day ORDER BY post, day""",
    ),
    "not_heard": Question(
        "When did nothing come, or was nothing kept, for a minute or longer?",
        """
        SELECT post, run, stream, local, round(seconds) AS seconds, lost_bytes, why FROM gaps WHERE seconds >= 60
        ORDER BY seconds DESC, post, local""",
    ),
    "gathered": Question(
        "From when to when is there a log of each post, and was any of them not as its bytes?",
        f"""
        SELECT post, role, count(*) AS logs, min(local) AS from_local,
            max(local + to_seconds(CAST(seconds AS BIGINT))) AS to_local,
            round(sum(seconds) / 3600, 1) AS hours, count(*) FILTER (closed = 0) AS not_closed,
            count(*) FILTER (tables <> '{AS_THE_BYTES}' AND tables NOT LIKE '{NOT_COMPARED}%') AS not_as_the_bytes
        FROM logs GROUP BY post, role ORDER BY post, role""",
    ),
}


def script(root: Path | None = None, asked: str = "") -> str:
    """The SQL that makes the views; paths relative to the archive's folder, or under `root`.

    Each table costs a look into every folder of the archive: of `asked` only the views that its words may mean are made, all
    where there is none among them.
    """
    at = f"{root.as_posix().replace(_QUOTE, 2 * _QUOTE)}/" if root is not None else ""
    wanted = _wanted(asked)
    lines = [_HEAD]
    for name in PARTS:
        if name in wanted:
            lines.append(_table(name, f"{at}post=*/day=*/run=*/{name}.parquet", "post: VARCHAR, day: DATE, run: VARCHAR"))
    logs = GatheredRow.table
    if logs in wanted:
        lines.append(_table(logs, f"{at}{logs}/post=*/run=*/{logs}.parquet", "post: VARCHAR, run: VARCHAR"))
    for name, question in QUESTIONS.items():
        if name in wanted:
            lines.append(f"CREATE OR REPLACE VIEW {name} AS{question.sql};")
            lines.append(f"COMMENT ON VIEW {name} IS {_QUOTE}{question.asked.replace(_QUOTE, 2 * _QUOTE)}{_QUOTE};\n")
    return "\n".join(lines)


def _wanted(sql: str) -> set[str]:
    """The tables and views whose names stand in the SQL, and those that they are made of; all where none does."""
    everything = {*PARTS, GatheredRow.table, *QUESTIONS}
    found = everything & set(_WORD.findall(sql.lower()))
    if not found:
        return everything
    for name in reversed(QUESTIONS):  # each is made of what stands before it
        if name in found:
            found |= everything & set(_WORD.findall(QUESTIONS[name].sql))
    return found


_WORD = re.compile(r"\w+")
_QUOTE = "'"
_HEAD = """-- What the archive answers. Written by `witnesspost gather`: put views of your own into a file of your own.
-- Read it in this folder: cd ARCHIVE && duckdb -init views.sql
-- Times: `utc` is UTC, `local` the wall clock at the post; neither has a zone in its type.
"""


def _table(name: str, pattern: str, types: str) -> str:
    keys = ", ".join(f"'{key}': {kind}" for key, kind in (one.split(": ") for one in types.split(", ")))
    return (
        f"CREATE OR REPLACE VIEW {name} AS SELECT * FROM read_parquet(\n"
        f"    '{pattern}', hive_partitioning = true, hive_types = {{{keys}}});\n"
    )
